"""The ten-field preamble scope whose `yorigin` is in codes: volts = (code - yorigin - yreference) * yincrement.

Rules kept (programming guides of the DS1000Z and MSO5000 series): every block is `#9`, nine digits, data, LF; STARt
and STOP count from 1 with both ends in; the memory can be read only when stopped and in mode RAW (or MAX), a page at
a time; OFFSet is added to the trace, so it is the opposite of the voltage at the centre; SINGle sets the sweep.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np

from benchrig.clock import Clock

from .interfaces import Inputs
from .scope_double import ScopeDouble
from .scope_front import Geometry
from .scope_measure import ITEMS, measure
from .scope_record import Codes, ScopeRecord
from .scpi_errors import ScpiError
from .scpi_settings import choice, fixed, numeric, switch
from .scpi_tree import Call, ScpiCommand
from .scpi_values import OVERLOAD, Numeric, WordValue, block


@dataclass(frozen=True, slots=True)
class TenfieldSeries:
    """What differs inside the family. `pages`: most points of one RAW block by format; None for all."""

    model: str
    geometry: Geometry
    pages: Mapping[str, int | None]


DS1000Z = TenfieldSeries(
    "DS1054Z",
    Geometry(12, 8, 25, 127, 0, 255, 1200, whole_origin=True),
    {"BYTE": 250_000, "WORD": 125_000, "ASC": 15_625},
)
MSO5000 = TenfieldSeries(
    "MSO5074",
    Geometry(
        10, 8, 25, 127, 0, 255, 1000, bandwidth=70e6, fastest=8e9, whole_origin=True,
        depths=(1_000, 10_000, 100_000, 1_000_000, 10_000_000),
    ),
    {"BYTE": None, "WORD": None, "ASC": None},
)  # fmt: skip

_FORMATS = ("WORD", "BYTE", "ASCii")
_FORMAT_CODES = {"BYTE": "0", "WORD": "1", "ASC": "2"}
_MODE_CODES = {"NORM": "0", "MAX": "1", "RAW": "2"}
_ITEMS = WordValue(("VPP", "VMAX", "VMIN", "VAVG", "VRMS", "PERiod", "FREQuency", "PWIDth", "NWIDth"))
_LIMIT = WordValue(("20M", "OFF"))
_SWEEP = WordValue(("AUTO", "NORMal", "SINGle"))
_MODE = WordValue(("NORMal", "MAXimum", "RAW"))
_PROBES = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000)
_PROBE = Numeric(0.01, 1000, 10, steps=_PROBES)
_TIMEBASE = Numeric(5e-9, 50, 1e-6, "S")
_POSITION = Numeric(-100, 5000, 0, "S")


@dataclass(slots=True)
class _TransferA2:
    """How waveforms are sent. `start` and `stop` are whole."""

    source: int = 1
    mode: str = "NORM"
    format: str = "BYTE"
    start: float = 1
    stop: float = 1200


def _real(value: float) -> str:
    return f"{value:.6e}"


def _whole(value: float) -> str:
    return str(int(value))


class TenFieldA2(ScopeDouble):
    """A double of the DS1000Z series (default) or of the MSO5000 series."""

    def __init__(
        self,
        clock: Clock,
        inputs: Inputs,
        *,
        seed: int = 0,
        series: TenfieldSeries = DS1000Z,
        probes: Mapping[int, float] | None = None,
        unread: Literal["late", "drop"] = "late",
    ) -> None:
        self._series = series
        identity = ("RIGOL TECHNOLOGIES", series.model, f"SIMULATED{seed:04d}", "00.04.04.SP4")
        super().__init__(
            clock, inputs, identity=identity, geometry=series.geometry, probes=probes, seed=seed, unread=unread
        )

    def reset_transfer(self) -> None:
        self._transfer = _TransferA2(stop=self.geometry.points)

    def real(self, value: float) -> str:
        return _real(value)

    def commands(self) -> Iterable[ScpiCommand]:
        yield from self.error_commands()
        yield from self._run_commands()
        yield from self._channel_commands()
        yield from self._time_commands()
        yield from self._trigger_commands()
        yield from self._waveform_commands()
        yield ScpiCommand("MEASure:ITEM", lambda call: None, 1, 2)
        yield ScpiCommand("MEASure:ITEM?", self._measure, 1, 2)

    def _run_commands(self) -> Iterable[ScpiCommand]:
        yield ScpiCommand("RUN", lambda call: self._run_again())
        yield ScpiCommand("STOP", lambda call: self.acquirer.stop(self.time))
        yield ScpiCommand("SINGle", lambda call: self._single())
        yield ScpiCommand("TFORce", lambda call: self.acquirer.force(self.time))
        yield ScpiCommand("CLEar", lambda call: self._clear_screen())

    def _clear_screen(self) -> None:
        self.acquirer.record = None

    def _run_again(self) -> None:
        if self.front.sweep == "SING":
            self._single()
        else:
            self.acquirer.run(self.time)

    def _single(self) -> None:
        self.front.sweep = "SING"
        self.acquirer.single(self.time, auto=False)

    # Channels

    def _scale_limits(self, call: Call) -> Numeric:
        probe = self.channel(call).probe
        return Numeric(1e-3 * probe, 10 * probe, 0.1 * probe, "V")

    def _offset_limits(self, call: Call) -> Numeric:
        channel = self.channel(call)
        most = (100.0 if channel.scale >= 0.5 * channel.probe else 2.0) * channel.probe
        return Numeric(-most, most, 0.0, "V")

    def _channel_commands(self) -> Iterable[ScpiCommand]:
        stem, at = "CHANnel{1-4}", self.channel
        yield from numeric(f"{stem}:SCALe", self._scale_limits, at, "scale", _real)
        yield from numeric(f"{stem}:OFFSet", self._offset_limits, at, "shift", _real)
        yield from numeric(f"{stem}:PROBe", _PROBE, at, "attenuation", "{:g}".format)
        yield from choice(f"{stem}:COUPling", ("AC", "DC", "GND"), at, "coupling")
        yield ScpiCommand(f"{stem}:BWLimit", lambda c: setattr(at(c), "limited", _LIMIT.read(c.args[0]) == "20M"), 1, 1)
        yield ScpiCommand(f"{stem}:BWLimit?", lambda c: "20M" if at(c).limited else "OFF")
        yield from switch(f"{stem}:DISPlay", at, "shown")
        yield from switch(f"{stem}:INVert", at, "inverted")

    # Time and trigger

    def _time_commands(self) -> Iterable[ScpiCommand]:
        yield from numeric("TIMebase[:MAIN]:SCALe", _TIMEBASE, self._front, "timebase", _real)
        yield from numeric("TIMebase[:MAIN]:OFFSet", _POSITION, self._front, "position", _real)
        yield from fixed("TIMebase:MODE", "MAIN")
        yield ScpiCommand("ACQuire:MDEPth", lambda c: self._set_depth(c.args[0]), 1, 1)
        yield ScpiCommand("ACQuire:MDEPth?", lambda c: "AUTO" if self.front.depth is None else str(self.front.depth))
        yield ScpiCommand("ACQuire:SRATe?", lambda c: _real(self._rate()))
        yield from fixed("ACQuire:TYPE", "NORMal")

    def _set_depth(self, text: str) -> None:
        if text.upper() == "AUTO":
            self.front.depth = None
            return
        depth = int(Numeric(1000, 24e6, 12000, whole=True).read(text))
        if depth not in self.geometry.depths:
            raise ScpiError(-224)
        self.front.depth = depth

    def _rate(self) -> float:
        record = self.record()
        return record.rate if record else self.geometry.fastest

    def _trigger_commands(self) -> Iterable[ScpiCommand]:
        yield from fixed("TRIGger:MODE", "EDGE")
        yield ScpiCommand("TRIGger:SWEep", lambda c: self._set_sweep(_SWEEP.read(c.args[0])), 1, 1)
        yield ScpiCommand("TRIGger:SWEep?", lambda c: self.front.sweep)
        yield from choice("TRIGger:EDGe:SLOPe", ("POSitive", "NEGative"), self._front, "slope")
        yield ScpiCommand("TRIGger:EDGe:SOURce", lambda c: self._set_trigger_source(c.args[0]), 1, 1)
        yield ScpiCommand("TRIGger:EDGe:SOURce?", lambda c: f"CHAN{self.front.source}")
        yield from numeric("TRIGger:EDGe:LEVel", self._level_limits, self._front, "level", _real)
        yield ScpiCommand("TRIGger:STATus?", lambda c: self.state())

    def _set_trigger_source(self, text: str) -> None:
        self.front.source = self.channel_number(text)

    def _level_limits(self, call: Call) -> Numeric:
        channel = self.front.channels[self.front.source]
        most = 5 * channel.scale
        return Numeric(channel.centre - most, channel.centre + most, channel.centre, "V")

    def _set_sweep(self, sweep: str) -> None:
        if sweep == "SING":
            self._single()
            return
        again = self.front.sweep == "SING" and self.acquirer.waiting
        self.front.sweep = sweep
        if again:
            self.acquirer.run(self.time)

    # Waveforms

    def _waveform_commands(self) -> Iterable[ScpiCommand]:
        yield ScpiCommand("WAVeform:SOURce", lambda c: self._set_source(c.args[0]), 1, 1)
        yield ScpiCommand("WAVeform:SOURce?", lambda c: f"CHAN{self._transfer.source}")
        yield ScpiCommand("WAVeform:MODE", lambda c: self._set_mode(_MODE.read(c.args[0])), 1, 1)
        yield ScpiCommand("WAVeform:MODE?", lambda c: self._transfer.mode)
        transfer = lambda c: self._transfer  # noqa: E731
        yield from choice("WAVeform:FORMat", _FORMATS, transfer, "format")
        yield from numeric("WAVeform:STARt", self._point_limits, transfer, "start", _whole)
        yield from numeric("WAVeform:STOP", self._point_limits, transfer, "stop", _whole)
        yield ScpiCommand("WAVeform:POINts?", lambda c: str(self._available()))
        yield ScpiCommand("WAVeform:PREamble?", lambda c: ",".join(self._preamble()))
        yield ScpiCommand("WAVeform:DATA?", lambda c: self._data())
        words = ("XINCrement", "XORigin", "XREFerence", "YINCrement", "YORigin", "YREFerence")
        for index, word in enumerate(words, start=4):
            yield ScpiCommand(f"WAVeform:{word}?", partial(self._field, index))

    def _field(self, index: int, call: Call) -> str:
        return self._preamble()[index]

    def _point_limits(self, call: Call) -> Numeric:
        return Numeric(1, self._available(), 1, whole=True)

    def _set_source(self, text: str) -> None:
        channel = self.channel_number(text)
        if not self.front.channels[channel].shown:
            raise ScpiError(-221)
        self._transfer.source = channel

    def _set_mode(self, mode: str) -> None:
        self._transfer.mode = mode
        t = self._transfer
        t.start, t.stop = 1, min(t.stop, self._available())

    def _deep(self) -> bool:
        return self._transfer.mode != "NORM" and not self.acquirer.running and not self.acquirer.waiting

    def _available(self) -> int:
        record = self.record()
        return record.depth if record and self._deep() else self.geometry.points

    def _preamble(self) -> list[str]:
        record = self.record_of(self._transfer.source)
        setting = record.inputs[self._transfer.source].channel
        step = setting.scale / self.geometry.per_division
        interval = 1 / record.rate if self._deep() else record.screen_interval
        kinds = [_FORMAT_CODES[self._transfer.format], _MODE_CODES[self._transfer.mode], str(self._available()), "1"]
        times = [_real(interval), _real(record.first), "0"]
        return [*kinds, *times, _real(step), str(-round(setting.centre / step)), str(self.geometry.middle)]

    def _data(self) -> bytes:
        if self.record() is None:
            return block(b"", 9)
        t = self._transfer
        record = self.record_of(t.source)
        codes = record.codes(t.source, deep=self._deep())
        page = self._series.pages[t.format] if self._deep() else None
        first = int(t.start) - 1
        last = min(int(t.stop), first + page) if page else int(t.stop)
        return self._encoded(record, self.cut(codes[first:last]))

    def _encoded(self, record: ScopeRecord, codes: Codes) -> bytes:
        if self._transfer.format == "BYTE":
            return block(codes, 9)
        if self._transfer.format == "WORD":
            return block(codes.astype("<u2"), 9)
        return block(",".join(map(_real, _snapped(record, self._transfer.source, codes))).encode(), 9)

    def _measure(self, call: Call) -> str:
        source = self.channel_number(call.args[1]) if len(call.args) > 1 else self._transfer.source
        item = _ITEMS.read(call.args[0])
        record = self.record()
        if item not in ITEMS or record is None or source not in record.inputs:
            return _real(OVERLOAD)
        value = measure(record, source, item)
        return _real(OVERLOAD if value is None else value)


def _snapped(record: ScopeRecord, channel: int, codes: Codes) -> list[float]:
    """Volts by the published formula, with the origin rounded to a whole code as the preamble gives it."""
    step = record.inputs[channel].channel.scale / record.geometry.per_division
    origin = -round(record.inputs[channel].channel.centre / step)
    return [float(v) for v in (codes.astype(np.float64) - origin - record.geometry.middle) * step]
