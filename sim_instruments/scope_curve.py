"""The scope family that sends curves: volts = (code - YOFf) * YMUlt + YZEro.

Rules kept (TDS1000/2000 and DPO4000 programmer manuals): the two series order the fields of their preambles differently
and swap YOFf and YZEro; the position is in divisions; TDS gives the probe as attenuation, DPO as gain; answers carry
headers until HEADer OFF and long words until VERBose OFF, and `*RST` leaves both alone; a source that is not shown
gives an event and no curve; events are read with EVMsg? or ALLEv? after `*ESR?`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np

from benchrig.clock import Clock

from .interfaces import Inputs
from .scope_curve_series import TDS2000, CurveSeries, channel_of, chosen, event_text, real, switched_on, whole
from .scope_double import ScopeDouble
from .scope_events import EventQueue
from .scope_measure import measure
from .scope_record import ScopeRecord
from .scpi_errors import ScpiError
from .scpi_settings import Owner, numeric
from .scpi_tree import Call, ScpiCommand
from .scpi_values import Numeric, block, matches, short

_ENCODINGS = ("ASCIi", "RIBinary", "RPBinary", "SRIbinary", "SRPbinary")


_ITEMS = {
    "PK2pk": "VPP", "MEAN": "VAVG", "MAXImum": "VMAX", "MINImum": "VMIN", "CRMs": "VRMS", "FREQuency": "FREQ",
    "PERIod": "PER", "PWIdth": "PWID", "NWIdth": "NWID",
}  # fmt: skip


@dataclass(slots=True)
class _CurveTransfer:
    source: int = 1
    encoding: str = "RIBinary"
    width: float = 1
    start: float = 1
    stop: float = 2500
    stop_after: str = "RUNSTop"
    measured: int = 1
    item: str = "PERIod"


class CurveScopeDouble(ScopeDouble):
    """A double of the TDS2000 series (default) or of the DPO4000 series."""

    def __init__(
        self,
        clock: Clock,
        inputs: Inputs,
        *,
        seed: int = 0,
        series: CurveSeries = TDS2000,
        probes: Mapping[int, float] | None = None,
        unread: Literal["late", "drop"] = "late",
    ) -> None:
        self._series = series
        self.events = EventQueue()
        self._header = self._verbose = True
        identity = ("TEKTRONIX", series.model, f"SIMULATED{seed:04d}", series.firmware)
        super().__init__(
            clock, inputs, identity=identity, geometry=series.geometry, probes=probes, seed=seed, unread=unread
        )

    # What the family does its own way

    def reset(self) -> None:
        super().reset()
        self.events.clear()
        self._header = self._verbose = True

    def reset_transfer(self) -> None:
        self._transfer = _CurveTransfer(stop=self.geometry.points)
        self.front.depth = self.geometry.depths[0]

    def on_error(self, error: ScpiError) -> None:
        super().on_error(error)
        self.events.push(error)
        if error.number >= 2000:  # an execution error of the family's own
            self.status.standard_event = self.status.standard_event & ~0x08 | 0x10

    def read_standard_event(self) -> int:
        self.events.release()
        return super().read_standard_event()

    def clear_status(self) -> None:
        super().clear_status()
        self.events.clear()

    def with_header(self, call: Call, body: object) -> object:
        if not self._header or call.words[0].startswith("*"):
            return body
        header = ":" + ":".join(self._word(word) for word in call.words) + " "
        if call.words == (self._series.preamble,):  # its fields carry their own names behind a common path
            header = header.rstrip() + ":"
        return header.encode() + body if isinstance(body, bytes) else header + str(body)

    def _word(self, word: str) -> str:
        return word.upper() if self._verbose else short(word)

    def choice(self, pattern: str, words: tuple[str, ...], owner: Owner, name: str) -> Iterable[ScpiCommand]:
        """Like the common one, but kept as in the table and answered long or short as VERBose says."""

        def put(call: Call) -> None:
            setattr(owner(call), name, chosen(words, call.args[0]))

        yield ScpiCommand(pattern, put, 1, 1)
        yield ScpiCommand(f"{pattern}?", lambda call: self._word(getattr(owner(call), name)))

    def mode(self, pattern: str, name: str) -> Iterable[ScpiCommand]:
        """ON, OFF, 1 or 0; answered as 1 or 0."""
        yield ScpiCommand(pattern, lambda c: setattr(self, name, switched_on(c.args[0])), 1, 1)
        yield ScpiCommand(f"{pattern}?", lambda c: str(int(getattr(self, name))))

    # Commands

    def commands(self) -> Iterable[ScpiCommand]:
        yield from self.mode("HEADer", "_header")
        yield from self.mode("VERBose", "_verbose")
        yield ScpiCommand("EVMsg?", lambda c: event_text(self.events.pop()))
        yield ScpiCommand("ALLEv?", lambda c: ",".join(map(event_text, self.events.all())))
        yield ScpiCommand("EVENT?", lambda c: str(self.events.pop()[0]))
        yield ScpiCommand("EVQty?", lambda c: str(len(self.events)))
        yield ScpiCommand("BUSY?", lambda c: str(int(self.acquirer.waiting)))
        yield from self._channel_commands()
        yield from self._time_commands()
        yield from self._trigger_commands()
        yield from self._acquire_commands()
        yield from self._data_commands()
        yield from self._measure_commands()

    def _channel_commands(self) -> Iterable[ScpiCommand]:
        stem, at = "CH{1-4}", self.channel
        yield from numeric(f"{stem}:SCAle", self._scale_limits, at, "scale", real)
        yield from numeric(f"{stem}:POSition", Numeric(-10, 10, 0), at, "position", real)
        yield from self.choice(f"{stem}:COUPling", ("AC", "DC", "GND"), at, "coupling")
        yield ScpiCommand(f"{stem}:BANdwidth", lambda c: setattr(at(c), "limited", self._limit(c.args[0])), 1, 1)
        yield ScpiCommand(f"{stem}:BANdwidth?", lambda c: self._limit_word(at(c).limited))
        yield ScpiCommand(f"SELect:{stem}", lambda c: setattr(at(c), "shown", switched_on(c.args[0])), 1, 1)
        yield ScpiCommand(f"SELect:{stem}?", lambda c: str(int(at(c).shown)))
        if self._series is TDS2000:
            yield from numeric(f"{stem}:PRObe", Numeric(1, 1000, 10), at, "attenuation", real)
        else:
            yield from numeric(f"{stem}:OFFSet", Numeric(-1e4, 1e4, 0, "V"), at, "centre", real)
            yield ScpiCommand(f"{stem}:PRObe:GAIN", self._set_gain, 1, 1)
            yield ScpiCommand(f"{stem}:PRObe:GAIN?", lambda c: real(1 / at(c).probe))

    def _scale_limits(self, call: Call) -> Numeric:
        probe = self.channel(call).probe
        return Numeric(2e-3 * probe, 5 * probe, 0.1 * probe, "V")

    def _set_gain(self, call: Call) -> None:
        self.channel(call).attenuation = 1 / Numeric(1e-4, 10, 0.1).read(call.args[0])

    def _limit(self, text: str) -> bool:
        if self._series is TDS2000:
            return switched_on(text)
        if text[:1].isalpha():
            return chosen(("TWEnty", "FULl"), text) == "TWEnty"
        return Numeric(1, 1e10, 1e9, "HZ").read(text) <= 20e6

    def _limit_word(self, limited: bool) -> str:
        if self._series is TDS2000:
            return "ON" if limited else "OFF"
        return real(self.geometry.limited if limited else self.geometry.bandwidth)

    def _time_commands(self) -> Iterable[ScpiCommand]:
        limits = Numeric(1e-9, 50, 5e-4, "S")
        yield from numeric("HORizontal[:MAIn]:SCAle", limits, self._front, "timebase", real)
        yield from numeric("HORizontal[:MAIn]:SECdiv", limits, self._front, "timebase", real)
        if self._series is TDS2000:
            yield from numeric("HORizontal[:MAIn]:POSition", Numeric(-50, 50, 0, "S"), self._front, "position", real)
            yield ScpiCommand("HORizontal:RECOrdlength?", lambda c: whole(self.geometry.points))
        else:
            yield from numeric("HORizontal:DELay:TIMe", Numeric(-50, 5000, 0, "S"), self._front, "position", real)
            yield ScpiCommand("HORizontal:RECOrdlength", self._set_length, 1, 1)
            yield ScpiCommand("HORizontal:RECOrdlength?", lambda c: str(self.front.depth))

    def _set_length(self, call: Call) -> None:
        depths = self.geometry.depths
        length = Numeric(depths[0], depths[-1], depths[0], steps=tuple(map(float, depths))).read(call.args[0])
        self.front.depth = int(length)

    def _trigger_commands(self) -> Iterable[ScpiCommand]:
        stem, front = self._series.trigger, self._front
        yield ScpiCommand(f"{stem}:EDGE:SOUrce", lambda c: setattr(self.front, "source", channel_of(c.args[0])), 1, 1)
        yield ScpiCommand(f"{stem}:EDGE:SOUrce?", lambda c: f"CH{self.front.source}")
        yield ScpiCommand(f"{stem}:EDGE:SLOpe", self._set_slope, 1, 1)
        yield ScpiCommand(f"{stem}:EDGE:SLOpe?", lambda c: self._word("RISe" if self.front.rising else "FALL"))
        yield ScpiCommand(f"{stem}:MODe", self._set_sweep, 1, 1)
        yield ScpiCommand(f"{stem}:MODe?", lambda c: self._word("AUTO" if self.front.sweep == "AUTO" else "NORMal"))
        yield from numeric(f"{stem}:LEVel", _LEVEL, front, "level", real)
        if self._series is not TDS2000:
            yield from numeric(f"{stem}:LEVel:CH{{1-4}}", _LEVEL, front, "level", real)
        yield ScpiCommand("TRIGger", self._force, 1, 1)
        yield ScpiCommand("TRIGger:STATE?", lambda c: self._word(self._state_word()))

    def _force(self, call: Call) -> None:
        chosen(("FORCe",), call.args[0])
        self.acquirer.force(self.time)

    def _set_slope(self, call: Call) -> None:
        self.front.rising = chosen(("RISe", "FALL"), call.args[0]) == "RISe"

    def _set_sweep(self, call: Call) -> None:
        self.front.sweep = "AUTO" if chosen(("AUTO", "NORMal"), call.args[0]) == "AUTO" else "NORM"

    def _state_word(self) -> str:
        return {"STOP": "SAVe", "WAIT": "REAdy", "TD": "TRIGger", "AUTO": "AUTO"}[self.state()]

    def _acquire_commands(self) -> Iterable[ScpiCommand]:
        yield ScpiCommand("ACQuire:STATE", self._set_state, 1, 1)
        yield ScpiCommand("ACQuire:STATE?", lambda c: str(int(self._acquiring())))
        yield from self.choice("ACQuire:STOPAfter", ("RUNSTop", "SEQuence"), self._transfer_of, "stop_after")
        yield ScpiCommand("ACQuire:NUMACq?", lambda c: str(int(self.record() is not None)))

    def _acquiring(self) -> bool:
        self.record()
        return self.acquirer.running or self.acquirer.waiting

    def _set_state(self, call: Call) -> None:
        text = call.args[0]
        if not (matches("RUN", text) or (not matches("STOP", text) and switched_on(text))):
            self.acquirer.stop(self.time)
        elif self._transfer.stop_after == "SEQuence":
            self.acquirer.single(self.time, auto=self.front.sweep == "AUTO")
        else:
            self.acquirer.run(self.time)

    # Curves

    def _data_commands(self) -> Iterable[ScpiCommand]:
        transfer, limits = self._transfer_of, Numeric(1, 1e8, 1, whole=True)
        yield ScpiCommand("DATa:SOUrce", lambda c: setattr(self._transfer, "source", channel_of(c.args[0])), 1, 1)
        yield ScpiCommand("DATa:SOUrce?", lambda c: f"CH{self._transfer.source}")
        yield from self.choice("DATa:ENCdg", _ENCODINGS, transfer, "encoding")
        yield from numeric("DATa:WIDth", Numeric(1, 2, 1, whole=True), transfer, "width", whole)
        yield from numeric("DATa:STARt", limits, transfer, "start", whole)
        yield from numeric("DATa:STOP", limits, transfer, "stop", whole)
        # The later series keep the old name beside their own: a published client of theirs (InstrumentKit) asks by it.
        for header in dict.fromkeys((self._series.preamble, "WFMPre")):
            yield ScpiCommand(f"{header}?", lambda c: self._preamble())
            for name in self._series.order:
                yield ScpiCommand(f"{header}:{name}?", partial(self._field, name))
        yield ScpiCommand("CURVe?", lambda c: self._curve())

    def _transfer_of(self, call: Call) -> _CurveTransfer:
        return self._transfer

    def _deep(self) -> bool:
        return self._series is not TDS2000

    def _shown(self) -> ScopeRecord | None:
        """The acquisition, if the source is in it; otherwise the family's own event."""
        record = self.record()
        if record is None or self._transfer.source not in record.inputs:
            self.on_error(ScpiError(2244))
            return None
        return record

    def _bounds(self, record: ScopeRecord) -> tuple[int, int]:
        """First index and one past the last of what is sent."""
        t = self._transfer
        length = record.depth if self._deep() else record.geometry.points
        first, last = sorted((int(t.start), int(t.stop)))
        return min(first, length) - 1, min(last, length)

    def _formats(self) -> dict[str, str]:
        t = self._transfer
        return {
            "BYT_Nr": whole(t.width),
            "BIT_Nr": whole(8 * t.width),
            "ENCdg": self._word("ASCii" if t.encoding == "ASCIi" else "BINary"),
            "BN_Fmt": "RP" if "RP" in t.encoding else "RI",
            "BYT_Or": "LSB" if t.encoding.startswith("S") else "MSB",
        }

    def _fields(self, record: ScopeRecord) -> dict[str, str]:
        t = self._transfer
        setting, wide = record.inputs[t.source].channel, 256 if t.width == 2 else 1
        step = setting.scale / self.geometry.per_division / wide
        unsigned = self.geometry.middle * wide if "RP" in t.encoding else 0
        first, last = self._bounds(record)
        old = self._series is TDS2000
        what = f"Ch{t.source}, {setting.coupling} coupling, {real(setting.scale)} V/div, {real(record.timebase)} s/div"
        return self._formats() | {
            "NR_Pt": str(last - first),
            "WFId": f'"{what}, {last - first} points, Sample mode"',
            "PT_Fmt": "Y",
            "XINcr": real(1 / record.rate if self._deep() else record.screen_interval),
            "PT_Off": "0",
            "XZEro": real(record.first),
            "XUNit": '"s"',
            "YMUlt": real(step),
            "YZEro": real(0.0 if old else setting.centre),
            "YOFf": real(unsigned - (setting.centre / step if old else 0.0)),
            "YUNit": '"Volts"' if old else '"V"',
        }

    def _preamble(self) -> str:
        record = self._shown()
        values = self._formats() if record is None else self._fields(record)
        names = [name for name in self._series.order if name in values]
        if not self._header:
            return ";".join(values[name] for name in names)
        pairs = (f"{self._word(name)} {values[name]}" for name in names)
        return ";".join(pairs)

    def _field(self, name: str, call: Call) -> str | None:
        record = self._shown()
        values = self._formats() if record is None else self._fields(record)
        return values.get(name)

    def _curve(self) -> bytes | str | None:
        record = self._shown()
        if record is None:
            return None
        first, last = self._bounds(record)
        t = self._transfer
        codes = self.cut(record.codes(t.source, deep=self._deep())[first:last])
        levels = codes if "RP" in t.encoding else (codes ^ np.uint8(0x80)).view(np.int8)
        if t.encoding == "ASCIi":
            return ",".join(str(int(level) << (8 if t.width == 2 else 0)) for level in levels)
        if t.width == 1:
            return block(levels)
        order = "<" if t.encoding.startswith("S") else ">"
        return block((levels.astype(np.int32) << 8).astype(f"{order}{'u2' if 'RP' in t.encoding else 'i2'}"))

    # Measurements

    def _measure_commands(self) -> Iterable[ScpiCommand]:
        stem = "MEASUrement:IMMed"
        yield ScpiCommand(f"{stem}:SOUrce", lambda c: setattr(self._transfer, "measured", channel_of(c.args[0])), 1, 1)
        yield ScpiCommand(f"{stem}:SOUrce?", lambda c: f"CH{self._transfer.measured}")
        yield from self.choice(f"{stem}:TYPe", tuple(_ITEMS), self._transfer_of, "item")
        yield ScpiCommand(f"{stem}:VALue?", lambda c: real(self._measured()))

    def _measured(self) -> float:
        t, record = self._transfer, self.record()
        value = measure(record, t.measured, _ITEMS[t.item]) if record and t.measured in record.inputs else None
        if value is None:
            self.on_error(ScpiError(2244))
            return self._series.nothing
        return value


_LEVEL = Numeric(-1e4, 1e4, 0, "V")
