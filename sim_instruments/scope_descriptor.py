"""The scope family that describes a waveform by a block of 346 bytes, and its younger relative.

Rules kept (the public WAVEDESC template LECROY_2_3; programming guide of the SDS1000X): of the first sort volts are
code * gain - offset with both in the descriptor, and COMM_ORDER orders the descriptor's own numbers too; of the second
volts are code * vdiv / 25 - offset by query, the screen is 14 divisions wide and two LF follow a block. Answers carry
name and unit until CHDR OFF. INR? bit 0 says that there is a new waveform, and clears. OFST is added to the trace.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchrig.clock import Clock

from .interfaces import Inputs
from .scope_descriptor_block import descriptor
from .scope_double import ScopeDouble
from .scope_front import FrontChannel, Geometry
from .scope_measure import measure
from .scope_record import ScopeRecord
from .scpi_errors import ScpiError
from .scpi_tree import Call, ScpiCommand
from .scpi_values import Numeric, block, boolean


@dataclass(frozen=True, slots=True)
class DescriptorSeries:
    """What differs between the two sorts."""

    maker: str
    model: str
    firmware: str
    geometry: Geometry
    query_scaled: bool  # volts by VDIV? and OFST?, not by the descriptor


WAVERUNNER = DescriptorSeries(
    "LECROY", "WR64XI-A", "6.4.0",
    Geometry(
        10, 8, 32, 128, 0, 255, 1000, bandwidth=600e6, fastest=5e9,
        depths=(10_000, 100_000, 1_000_000, 10_000_000),
    ),
    False,
)  # fmt: skip
SDS1000X = DescriptorSeries(
    "Siglent Technologies", "SDS1204X-E", "7.6.1.20R3",
    Geometry(14, 8, 25, 128, 0, 255, 1400, bandwidth=200e6, depths=(14_000, 140_000, 1_400_000, 14_000_000)),
    True,
)  # fmt: skip
Samples = NDArray[np.generic]
_ITEMS = {"PKPK": "VPP", "MAX": "VMAX", "MIN": "VMIN", "MEAN": "VAVG", "RMS": "VRMS", "FREQ": "FREQ", "PER": "PER"}
_COUPLINGS = {"D1M": "DC", "A1M": "AC", "GND": "GND"}
_MODES = {"AUTO": "AUTO", "NORM": "NORM", "SINGLE": "SING"}
_STATES = {"STOP": "Stop", "WAIT": "Ready", "TD": "Trig'd", "AUTO": "Auto"}
_LONG = {
    "VDIV": "VOLT_DIV", "OFST": "OFFSET", "CPL": "COUPLING", "ATTN": "ATTENUATION", "TRA": "TRACE",
    "TDIV": "TIME_DIV", "TRDL": "TRIG_DELAY", "TRMD": "TRIG_MODE", "TRSE": "TRIG_SELECT", "TRLV": "TRIG_LEVEL",
    "TRSL": "TRIG_SLOPE", "BWL": "BANDWIDTH_LIMIT", "CHDR": "COMM_HEADER", "CFMT": "COMM_FORMAT",
    "CORD": "COMM_ORDER", "WF": "WAVEFORM", "WFSU": "WAVEFORM_SETUP", "PAVA": "PARAMETER_VALUE",
    "TMPL": "TEMPLATE", "FRTR": "FORCE_TRIGGER", "MSIZ": "MEMORY_SIZE",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Value:
    """A number with the unit that an answer with header shows."""

    number: float
    unit: str


class DescriptorScopeDouble(ScopeDouble):
    """A double of the WaveRunner series (default) or of the SDS1000X-E series."""

    def __init__(
        self,
        clock: Clock,
        inputs: Inputs,
        *,
        seed: int = 0,
        series: DescriptorSeries = WAVERUNNER,
        probes: Mapping[int, float] | None = None,
        unread: Literal["late", "drop"] = "late",
    ) -> None:
        self._series = series
        self._header = "SHORT"
        identity = (series.maker, series.model, f"SIMULATED{seed:04d}", series.firmware)
        super().__init__(
            clock, inputs, identity=identity, geometry=series.geometry, probes=probes, seed=seed, unread=unread
        )

    def reset(self) -> None:
        super().reset()
        self._header = "SHORT"

    def reset_transfer(self) -> None:
        self._wide = False
        self._low_first = self._series.query_scaled
        self._setup = {"SP": 0, "NP": 0, "FP": 0, "SN": 0}
        self._seen: ScopeRecord | None = None
        self._mode = "AUTO"
        self.front.depth = self.geometry.depths[1]

    def with_header(self, call: Call, body: object) -> object:
        if isinstance(body, _Value):
            number = f"{body.number:.6E}"
            body = number if self._header == "OFF" else number + body.unit
        if self._header == "OFF" or call.words[0].startswith("*"):
            return body
        *front, last = call.words
        names = {**_LONG, **{long: long for long in _LONG.values()}} if self._header == "LONG" else _SHORT
        header = ":".join((*front, names.get(last, last))) + " "
        return header.encode() + body if isinstance(body, bytes) else header + str(body)

    # Commands

    def commands(self) -> Iterable[ScpiCommand]:
        for command in self._short_commands():
            yield command
            words = command.pattern.rstrip("?").split(":")
            if words[-1] in _LONG:
                stem = ":".join((*words[:-1], _LONG[words[-1]]))
                query = "?" * command.pattern.endswith("?")
                yield ScpiCommand(stem + query, command.work, command.least, command.most)

    def _short_commands(self) -> Iterable[ScpiCommand]:
        yield from self._channel_commands()
        yield from self._trigger_commands()
        yield from self._waveform_commands()
        yield ScpiCommand("CHDR", self._set_header, 1, 1)
        yield ScpiCommand("CHDR?", lambda c: self._header)
        yield ScpiCommand("CMR?", lambda c: str(abs(self.errors.pop().number)))
        yield ScpiCommand("EXR?", lambda c: str(abs(self.errors.pop().number)))

    def _set_header(self, call: Call) -> None:
        self._header = _one_of(("OFF", "SHORT", "LONG"), call.args[0])

    def _channel_commands(self) -> Iterable[ScpiCommand]:
        stem, at = "C{1-4}", self.channel
        yield ScpiCommand(f"{stem}:VDIV", self._set_scale, 1, 1)
        yield ScpiCommand(f"{stem}:VDIV?", lambda c: _Value(at(c).scale, "V"))
        yield ScpiCommand(f"{stem}:OFST", self._set_offset, 1, 1)
        yield ScpiCommand(f"{stem}:OFST?", lambda c: _Value(at(c).shift, "V"))
        yield ScpiCommand(f"{stem}:CPL", self._set_coupling, 1, 1)
        yield ScpiCommand(f"{stem}:CPL?", lambda c: next(k for k, v in _COUPLINGS.items() if v == at(c).coupling))
        yield ScpiCommand(f"{stem}:ATTN", self._set_attenuation, 1, 1)
        yield ScpiCommand(f"{stem}:ATTN?", lambda c: f"{at(c).probe:g}")
        yield ScpiCommand(f"{stem}:TRA", lambda c: setattr(at(c), "shown", boolean(c.args[0])), 1, 1)
        yield ScpiCommand(f"{stem}:TRA?", lambda c: "ON" if at(c).shown else "OFF")
        yield ScpiCommand(f"{stem}:BWL", lambda c: self._set_limit(at(c), c.args[0]), 1, 1)
        yield ScpiCommand(f"{stem}:BWL?", lambda c: "ON" if at(c).limited else "OFF")
        yield ScpiCommand("BWL", lambda c: self._set_limits(c), 2, 8)
        yield ScpiCommand("BWL?", lambda c: self._limits())
        yield ScpiCommand(f"{stem}:PAVA?", self._measure, 1, 1)

    def _set_scale(self, call: Call) -> None:
        channel = self.channel(call)
        channel.scale = Numeric(5e-4 * channel.probe, 10 * channel.probe, channel.probe, "V").read(call.args[0])

    def _set_offset(self, call: Call) -> None:
        self.channel(call).shift = Numeric(-1e4, 1e4, 0, "V").read(call.args[0])

    def _set_attenuation(self, call: Call) -> None:
        self.channel(call).attenuation = Numeric(0.1, 10_000, 10).read(call.args[0])

    def _set_coupling(self, call: Call) -> None:
        self.channel(call).coupling = _COUPLINGS[_one_of(tuple(_COUPLINGS), call.args[0])]

    @staticmethod
    def _set_limit(channel: FrontChannel, text: str) -> None:
        channel.limited = text.upper() in ("20MHZ", "200MHZ") or boolean(text)

    def _set_limits(self, call: Call) -> None:
        for name, text in zip(call.args[::2], call.args[1::2], strict=False):
            self._set_limit(self.front.channels[self._channel(name)], text)

    def _limits(self) -> str:
        return ",".join(f"C{n},{'ON' if c.limited else 'OFF'}" for n, c in self.front.channels.items())

    def _channel(self, text: str) -> int:
        return self.channel_number(text, "C")

    def _trigger_commands(self) -> Iterable[ScpiCommand]:
        yield ScpiCommand("TDIV", self._set_timebase, 1, 1)
        yield ScpiCommand("TDIV?", lambda c: _Value(self.front.timebase, "S"))
        yield ScpiCommand("TRDL", self._set_delay, 1, 1)
        yield ScpiCommand("TRDL?", lambda c: _Value(self.front.position, "S"))
        yield ScpiCommand("TRMD", self._set_mode, 1, 1)
        yield ScpiCommand("TRMD?", lambda c: self._mode_now())
        yield ScpiCommand("TRSE", self._select, 1, 10)
        yield ScpiCommand("TRSE?", lambda c: f"EDGE,SR,C{self.front.source},HT,OFF")
        yield ScpiCommand("C{1-4}:TRLV", self._set_level, 1, 1)
        yield ScpiCommand("C{1-4}:TRLV?", lambda c: _Value(self.front.level, "V"))
        yield ScpiCommand("C{1-4}:TRSL", self._set_slope, 1, 1)
        yield ScpiCommand("C{1-4}:TRSL?", lambda c: self.front.slope)
        yield ScpiCommand("ARM", lambda c: self._arm())
        yield ScpiCommand("STOP", lambda c: self._stop())
        yield ScpiCommand("FRTR", lambda c: self.acquirer.force(self.time))
        yield ScpiCommand("INR?", lambda c: str(int(self._new())))
        yield ScpiCommand("SAST?", lambda c: _STATES[self.state()])
        yield ScpiCommand("SARA?", lambda c: self._rate())

    def _set_timebase(self, call: Call) -> None:
        self.front.timebase = Numeric(1e-9, 100, 1e-6, "S").read(call.args[0])

    def _set_delay(self, call: Call) -> None:
        self.front.position = Numeric(-1e4, 1e4, 0, "S").read(call.args[0])

    def _set_level(self, call: Call) -> None:
        self.front.level = Numeric(-1e4, 1e4, 0, "V").read(call.args[0])

    def _set_slope(self, call: Call) -> None:
        self.front.slope = _one_of(("POS", "NEG"), call.args[0])

    def _select(self, call: Call) -> None:
        """EDGE,SR,C1,...: only the kind and the source matter here."""
        _one_of(("EDGE",), call.args[0])
        pairs = dict(zip(call.args[1::2], call.args[2::2], strict=False))
        for name, text in pairs.items():
            if name.upper() == "SR":
                self.front.source = self._channel(text)

    def _set_mode(self, call: Call) -> None:
        mode = _one_of((*_MODES, "STOP"), call.args[0])
        if mode == "STOP":
            self._stop()
        elif mode == "SINGLE":
            self._arm()
        else:
            self._mode = self.front.sweep = mode
            self.acquirer.run(self.time)

    def _arm(self) -> None:
        self._mode = "SINGLE"
        self.front.sweep = "NORM"
        self.acquirer.single(self.time, auto=False)

    def _stop(self) -> None:
        self._mode = "STOP"
        self.acquirer.stop(self.time)

    def _mode_now(self) -> str:
        return "STOP" if self.state() == "STOP" else self._mode

    def _new(self) -> bool:
        record = self.record()
        new, self._seen = record is not None and record is not self._seen, record
        return new

    def _rate(self) -> object:
        record = self.record()
        rate = record.rate if record else self.geometry.fastest
        if self._header == "OFF":
            return f"{rate:.2E}"
        size, letter = next((s, n) for s, n in ((1e9, "G"), (1e6, "M"), (1e3, "k"), (0.0, "")) if rate >= s)
        return f"{rate / (size or 1):.2f}{letter}Sa/s"

    # Waveforms

    def _waveform_commands(self) -> Iterable[ScpiCommand]:
        yield ScpiCommand("CFMT", self._set_format, 3, 3)
        yield ScpiCommand("CFMT?", lambda c: f"DEF9,{'WORD' if self._wide else 'BYTE'},BIN")
        yield ScpiCommand("CORD", self._set_order, 1, 1)
        yield ScpiCommand("CORD?", lambda c: "LO" if self._low_first else "HI")
        yield ScpiCommand("MSIZ", self._set_depth, 1, 1)
        yield ScpiCommand("MSIZ?", lambda c: _Value(float(self.front.depth or 0), "SAMPLE"))
        yield ScpiCommand("WFSU", self._set_setup, 2, 8)
        yield ScpiCommand("WFSU?", lambda c: ",".join(f"{k},{v}" for k, v in self._setup.items()))
        yield ScpiCommand("C{1-4}:WF?", self._waveform, 1, 1)
        yield ScpiCommand("TMPL?", lambda c: '"/00 000000 LECROY_2_3: TEMPLATE"')

    def _set_format(self, call: Call) -> None:
        _one_of(("DEF9",), call.args[0])
        _one_of(("BIN",), call.args[2])
        self._wide = _one_of(("BYTE", "WORD"), call.args[1]) == "WORD"

    def _set_order(self, call: Call) -> None:
        self._low_first = _one_of(("HI", "LO"), call.args[0]) == "LO"

    def _set_depth(self, call: Call) -> None:
        depths = tuple(map(float, self.geometry.depths))
        self.front.depth = int(Numeric(depths[0], depths[-1], depths[1], "SAMPLE", steps=depths).read(call.args[0]))

    def _set_setup(self, call: Call) -> None:
        for name, text in zip(call.args[::2], call.args[1::2], strict=False):
            key = _one_of(tuple(self._setup), name)
            self._setup[key] = int(Numeric(0, 1e9, 0, whole=True).read(text))

    def _waveform(self, call: Call) -> bytes:
        part = _one_of(("DESC", "DAT1", "DAT2", "ALL"), call.args[0])
        record = self.record_of(call.channel)
        data = self._data(record, call.channel) if part != "DESC" else None
        head = self._descriptor(record, call.channel, data) if part in ("DESC", "ALL") else b""
        body = b"".join((head, data.data if data is not None else b""))
        tail = b"\n" if self._series.query_scaled else b""
        return b"".join((part.encode(), b",", block(body, 9), tail))

    def _first_and_step(self) -> tuple[int, int]:
        return self._setup["FP"], max(1, self._setup["SP"])

    def _data(self, record: ScopeRecord, channel: int) -> Samples:
        first, step = self._first_and_step()
        codes = record.codes(channel, deep=True)[first::step]
        codes = self.cut(codes[: self._setup["NP"]] if self._setup["NP"] else codes)
        levels = np.ascontiguousarray(codes ^ np.uint8(0x80)).view(np.int8)
        if not self._wide or self._series.query_scaled:
            return levels
        return (levels.astype(np.int16) << 8).astype("<i2" if self._low_first else ">i2")

    def _descriptor(self, record: ScopeRecord, channel: int, data: Samples | None) -> bytes:
        first, step = self._first_and_step()
        sent = self._data(record, channel) if data is None else data
        return descriptor(
            record, channel, first=first, step=step, wide=self._wide, low_first=self._low_first, sent=len(sent),
            maker=self._series.maker, timebase=record.timebase,
        )  # fmt: skip

    def _measure(self, call: Call) -> str:
        item = _one_of(tuple(_ITEMS), call.args[0])
        record = self.record()
        value = measure(record, call.channel, _ITEMS[item]) if record and call.channel in record.inputs else None
        unit = {"FREQ": "Hz", "PER": "S"}.get(item, "V")
        shown = "****" if value is None else f"{value:.4E}{unit}"
        return f"{item},{shown}" + ("" if self._series.query_scaled else ",OK")


_SHORT = {long: name for name, long in _LONG.items()}


def _one_of(words: tuple[str, ...], text: str) -> str:
    if text.upper() not in words:
        raise ScpiError(-224)
    return text.upper()
