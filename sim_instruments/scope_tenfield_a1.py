"""The ten-field preamble scope whose `yorigin` is in volts: volts = (code - yreference) * yincrement + yorigin.

Rules kept (programmer's guides of the 5000 and InfiniiVision series): codes are unsigned and MSB first unless told
otherwise; code 0 is a hole and 1 and 255 are the limits of the converter; OFFSet is the voltage at the centre of the
screen; DIGitize holds back all that follows until it is done; a preamble before any acquisition is an error.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchrig.clock import Clock

from .interfaces import Inputs
from .scope_double import ScopeDouble
from .scope_front import Geometry
from .scope_measure import measure
from .scope_record import Codes, ScopeRecord
from .scpi import WaitToContinue
from .scpi_settings import choice, fixed, numeric, switch
from .scpi_tree import Call, ScpiCommand
from .scpi_values import OVERLOAD, Numeric, block, nr3

DSOX2000 = Geometry(
    10, 8, 25, 128, 1, 255, 1000, bandwidth=200e6, limited=25e6, fastest=2e9, depths=(100_000, 1_000_000, 10_000_000)
)
_FORMATS = ("BYTE", "WORD", "ASCii")
_FORMAT_CODES = {"BYTE": "+0", "WORD": "+1", "ASC": "+4"}
_ITEMS = {
    "VPP": "VPP", "VMAX": "VMAX", "VMIN": "VMIN", "VAVerage": "VAVG", "VRMS": "VRMS", "FREQuency": "FREQ",
    "PERiod": "PER", "PWIDth": "PWID", "NWIDth": "NWID",
}  # fmt: skip
_RUNNING, _WAITING = 0x08, 0x20


@dataclass(slots=True)
class _TransferA1:
    source: int = 1
    format: str = "BYTE"
    order: str = "MSBF"
    unsigned: bool = True
    mode: str = "NORM"
    points: float = 1000


def _real(value: float) -> str:
    """Three digits of exponent, as in `+1.00000000E-006`."""
    mantissa, exponent = f"{value:+.8E}".split("E")
    return f"{mantissa}E{exponent[0]}{exponent[1:].zfill(3)}"


def _whole(value: float) -> str:
    return f"{int(value):+d}"


class TenFieldA1(ScopeDouble):
    """A double of the InfiniiVision 2000 X series."""

    def __init__(
        self,
        clock: Clock,
        inputs: Inputs,
        *,
        seed: int = 0,
        probes: Mapping[int, float] | None = None,
        unread: Literal["late", "drop"] = "late",
    ) -> None:
        identity = ("AGILENT TECHNOLOGIES", "DSO-X 2024A", f"SIMULATED{seed:04d}", "02.50.2019022736")
        super().__init__(
            clock,
            inputs,
            identity=identity,
            geometry=DSOX2000,
            first_probe=1.0,
            probes=probes,
            seed=seed,
            unread=unread,
        )

    def reset_transfer(self) -> None:
        self._transfer = _TransferA1()
        self._seen_trigger: ScopeRecord | None = None

    def integer(self, value: int) -> str:
        return f"{value:+d}"

    def before(self, call: Call) -> None:
        self.record()
        running = self.acquirer.running or self.acquirer.waiting
        waiting = self.state() == "WAIT"
        self.status.operation.set_condition(_RUNNING * running | _WAITING * waiting)

    def commands(self) -> Iterable[ScpiCommand]:
        yield from self.error_commands()
        yield from self._run_commands()
        yield from self._channel_commands()
        yield from self._time_commands()
        yield from self._trigger_commands()
        yield from self._waveform_commands()
        for word, item in _ITEMS.items():
            yield ScpiCommand(f"MEASure:{word}?", partial(self._measure, item), 0, 1)

    def _run_commands(self) -> Iterable[ScpiCommand]:
        yield ScpiCommand("RUN", lambda c: self.acquirer.run(self.time))
        yield ScpiCommand("STOP", lambda c: self.acquirer.stop(self.time))
        yield ScpiCommand("SINGle", lambda c: self._single() and None)
        yield ScpiCommand("DIGitize", self._digitize, 0, 4)
        yield from self._register_commands("OPERegister", lambda: self.status.operation)
        yield ScpiCommand("TER?", lambda c: self._trigger_event())
        yield ScpiCommand("AER?", lambda c: _whole(self.state() == "WAIT"))

    def _single(self) -> WaitToContinue:
        return WaitToContinue(operations=(self.acquirer.single(self.time, auto=self.front.sweep == "AUTO"),))

    def _digitize(self, call: Call) -> WaitToContinue:
        if call.args:
            wanted = {self.channel_number(text) for text in call.args}
            for number, channel in self.front.channels.items():
                channel.shown = number in wanted
        return self._single()

    def _trigger_event(self) -> str:
        record = self.record()
        new = record is not None and record.triggered and record is not self._seen_trigger
        self._seen_trigger = record
        return _whole(new)

    def _channel_commands(self) -> Iterable[ScpiCommand]:
        stem, at = "CHANnel{1-4}", self.channel
        yield from numeric(f"{stem}:SCALe", self._scale_limits, at, "scale", nr3)
        yield ScpiCommand(f"{stem}:RANGe", self._set_range, 1, 1)
        yield ScpiCommand(f"{stem}:RANGe?", lambda c: nr3(at(c).scale * self.geometry.down))
        yield from numeric(f"{stem}:OFFSet", self._offset_limits, at, "centre", nr3)
        yield from numeric(f"{stem}:PROBe", Numeric(0.1, 10000, 1), at, "attenuation", nr3)
        yield from choice(f"{stem}:COUPling", ("AC", "DC"), at, "coupling")
        yield from switch(f"{stem}:BWLimit", at, "limited")
        yield from switch(f"{stem}:DISPlay", at, "shown")
        yield from switch(f"{stem}:INVert", at, "inverted")
        yield from fixed(f"{stem}:IMPedance", "ONEMeg")
        yield from fixed(f"{stem}:UNITs", "VOLT")

    def _scale_limits(self, call: Call) -> Numeric:
        probe = self.channel(call).probe
        return Numeric(1e-3 * probe, 5 * probe, 5 * probe, "V")

    def _offset_limits(self, call: Call) -> Numeric:
        most = 50 * self.channel(call).probe
        return Numeric(-most, most, 0.0, "V")

    def _set_range(self, call: Call) -> None:
        limits, down = self._scale_limits(call), self.geometry.down
        span = Numeric(limits.low * down, limits.high * down, limits.default * down, "V")
        self.channel(call).scale = span.read(call.args[0]) / down

    def _time_commands(self) -> Iterable[ScpiCommand]:
        yield from numeric("TIMebase:SCALe", Numeric(5e-9, 50, 1e-4, "S"), self._front, "timebase", nr3)
        yield ScpiCommand("TIMebase:RANGe", self._set_time_range, 1, 1)
        yield ScpiCommand("TIMebase:RANGe?", lambda c: nr3(self.front.timebase * self.geometry.across))
        yield from numeric("TIMebase:POSition", Numeric(-500, 500, 0, "S"), self._front, "position", nr3)
        yield from fixed("TIMebase:REFerence", "CENTer")
        yield from fixed("TIMebase:MODE", "MAIN")
        yield from fixed("ACQuire:TYPE", "NORMal")
        yield ScpiCommand("ACQuire:SRATe?", lambda c: nr3(self._rate()))

    def _set_time_range(self, call: Call) -> None:
        self.front.timebase = Numeric(5e-8, 500, 1e-3, "S").read(call.args[0]) / self.geometry.across

    def _rate(self) -> float:
        record = self.record()
        return record.rate if record else self.geometry.fastest

    def _trigger_commands(self) -> Iterable[ScpiCommand]:
        yield from fixed("TRIGger:MODE", "EDGE")
        yield from choice("TRIGger:SWEep", ("AUTO", "NORMal"), self._front, "sweep")
        yield from choice("TRIGger[:EDGE]:SLOPe", ("POSitive", "NEGative"), self._front, "slope")
        yield ScpiCommand("TRIGger[:EDGE]:SOURce", self._set_trigger_source, 1, 1)
        yield ScpiCommand("TRIGger[:EDGE]:SOURce?", lambda c: f"CHAN{self.front.source}")
        yield from numeric("TRIGger[:EDGE]:LEVel", self._level_limits, self._front, "level", nr3)
        yield ScpiCommand("TRIGger:FORCe", lambda c: self.acquirer.force(self.time))

    def _set_trigger_source(self, call: Call) -> None:
        self.front.source = self.channel_number(call.args[0])

    def _level_limits(self, call: Call) -> Numeric:
        channel = self.front.channels[self.front.source]
        return Numeric(channel.centre - 6 * channel.scale, channel.centre + 6 * channel.scale, channel.centre, "V")

    # Waveforms

    def _waveform_commands(self) -> Iterable[ScpiCommand]:
        transfer = self._transfer_of
        yield ScpiCommand("WAVeform:SOURce", self._set_source, 1, 1)
        yield ScpiCommand("WAVeform:SOURce?", lambda c: f"CHAN{self._transfer.source}")
        yield from choice("WAVeform:FORMat", _FORMATS, transfer, "format")
        yield from choice("WAVeform:BYTeorder", ("MSBFirst", "LSBFirst"), transfer, "order")
        yield from switch("WAVeform:UNSigned", transfer, "unsigned")
        yield from choice("WAVeform:POINts:MODE", ("NORMal", "MAXimum", "RAW"), transfer, "mode")
        yield from numeric("WAVeform:POINts", Numeric(100, 8e6, 1000, whole=True), transfer, "points", self._available)
        yield ScpiCommand("WAVeform:PREamble?", lambda c: ",".join(self._preamble()))
        yield ScpiCommand("WAVeform:DATA?", lambda c: self._data())
        words = (
            "TYPE",
            "POINts",
            "COUNt",
            "XINCrement",
            "XORigin",
            "XREFerence",
            "YINCrement",
            "YORigin",
            "YREFerence",
        )
        for index, word in enumerate(words, start=1):
            if word not in ("POINts", "TYPE"):
                yield ScpiCommand(f"WAVeform:{word}?", partial(self._field, index))
        yield ScpiCommand("WAVeform:TYPE?", lambda c: "NORM")

    def _transfer_of(self, call: Call) -> _TransferA1:
        return self._transfer

    def _set_source(self, call: Call) -> None:
        self._transfer.source = self.channel_number(call.args[0])

    def _field(self, index: int, call: Call) -> str:
        return self._preamble()[index]

    def _available(self, wanted: float) -> str:
        """How many points a read would give now."""
        record = self.record()
        return _whole(len(self._codes(record)) if record and self._transfer.source in record.inputs else wanted)

    def _stride(self, record: ScopeRecord) -> int:
        length = record.depth if self._deep() else record.geometry.points
        return -(-length // int(self._transfer.points))

    def _deep(self) -> bool:
        return self._transfer.mode != "NORM" and not self.acquirer.running and not self.acquirer.waiting

    def _codes(self, record: ScopeRecord) -> Codes:
        return record.codes(self._transfer.source, deep=self._deep())[:: self._stride(record)]

    def _preamble(self) -> list[str]:
        t = self._transfer
        record = self.record_of(t.source)
        setting = record.inputs[t.source].channel
        wide = 256 if t.format == "WORD" else 1
        interval = (1 / record.rate if self._deep() else record.screen_interval) * self._stride(record)
        kinds = [_FORMAT_CODES[t.format], "+0", _whole(len(self._codes(record))), "+1"]
        times = [_real(interval), _real(record.first), "+0"]
        step = setting.scale / self.geometry.per_division / wide
        middle = self.geometry.middle * wide if t.unsigned else 0
        return [*kinds, *times, _real(step), _real(setting.centre), _whole(middle)]

    def _data(self) -> bytes:
        record = self.record_of(self._transfer.source)
        codes = self.cut(self._codes(record))
        if self._transfer.format == "ASC":
            setting = record.inputs[self._transfer.source].channel
            step = setting.scale / self.geometry.per_division
            volts = (codes.astype(np.float64) - self.geometry.middle) * step + setting.centre
            return block(",".join(f"{v: .6e}" for v in volts).encode(), 8)
        return block(self._words(codes), 8)

    def _words(self, codes: Codes) -> NDArray[np.generic]:
        t = self._transfer
        if t.format == "BYTE":
            return codes if t.unsigned else codes ^ np.uint8(0x80)
        order = ">" if t.order == "MSBF" else "<"
        wide = codes.astype(f"{order}u2") << 8
        return (wide if t.unsigned else wide ^ np.uint16(0x8000)).astype(f"{order}u2")

    def _measure(self, item: str, call: Call) -> str:
        source = self.channel_number(call.args[0]) if call.args else self._transfer.source
        record = self.record()
        value = measure(record, source, item) if record and source in record.inputs else None
        return nr3(OVERLOAD if value is None else value)
