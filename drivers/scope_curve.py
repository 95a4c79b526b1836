"""Oscilloscopes that send a curve with a preamble of their own: TDS, TPS, DPO, MSO and MDO series.

    volts = (code - YOFf) * YMUlt + YZEro        time(i) = XZEro + (i - PT_OFf) * XINcr

- The whole formula, always: which term is 0 differs by generation, and YOFf and YZEro even swap places in the preamble.
  So each field is asked by its name and none is ever counted off.
- Headers go off first; they are a power-on default on several models.
- Errors are events: readable with `EVMsg?`, and only after `*ESR?`.
- `single` arms in NORMal mode, so a record that came was triggered; the chosen sweep comes back with `run`.

Sources: the programmer manuals of the TDS1000/2000, TDS5000B, DPO/MSO4000 and TPS2000 series, cross-read in scopehal.
From memory: that horizontal POSition is seconds on the TDS generation and percent of the record on later ones, which
have a delay in seconds and a mode for it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from benchrig.errors import FrameError, InstrumentError, LinkTimeout
from benchrig.instruments import Identity, LineSettings
from benchrig.signals.waveform import Waveform
from benchrig.wire import answers

from . import scpi_common
from .scope_base import Progress, ScpiScope
from .scpi_common import number_text

LINE = LineSettings(baud=9600)


@dataclass(frozen=True, slots=True)
class Generation:
    """How one generation spells what differs."""

    preamble: str
    trigger: str
    level: str
    horizontal: str
    probe: str  # "attenuation", "gain", "external"
    limit: tuple[str, str]  # bandwidth limit on, off
    has_offset: bool  # volts; else only a position in divisions
    delays: bool  # the time position is a delay; POSition is percent of the record there


GENERATIONS: Mapping[str, Generation] = MappingProxyType(
    {
        "tds": Generation(
            "WFMPRE", "TRIGGER:MAIN", "LEVEL", "HORIZONTAL:MAIN", "attenuation", ("ON", "OFF"), False, False
        ),
        "dpo": Generation("WFMOUTPRE", "TRIGGER:A", "LEVEL:CH{}", "HORIZONTAL", "gain", ("TWENTY", "FULL"), True, True),
        "mso": Generation(
            "WFMOUTPRE", "TRIGGER:A", "LEVEL:CH{}", "HORIZONTAL", "external", ("20E6", "FULL"), True, True
        ),
    }
)
_MODELS = (
    (r"MSO[456]\d[AB]?$|MSO[456]\dLP", "mso"),
    (r"TDS[567]|DPO|MSO|MDO", "dpo"),
    (r"TDS|TPS|TBS", "tds"),
)
_EVENTS_LIMIT = 40
_NO_EVENTS = (0, 1)


@dataclass(frozen=True, slots=True)
class Preamble:
    """The fields that turn codes into volts and seconds, and bytes into codes."""

    byte_width: int
    signed: bool
    most_significant_first: bool
    points: int
    x_increment: float
    x_zero: float
    point_offset: float
    y_multiplier: float
    y_offset: float
    y_zero: float

    @property
    def dtype(self) -> np.dtype[np.generic]:
        """Of one code as sent."""
        order, kind = ">" if self.most_significant_first else "<", "i" if self.signed else "u"
        return np.dtype(f"{order}{kind}{self.byte_width}")

    @property
    def code_limits(self) -> tuple[int, int]:
        """Codes at the end of an 8-bit converter; with two bytes its codes lie in the high one."""
        low = -128 if self.signed else 0
        step = 256 ** (self.byte_width - 1)
        return low * step, (low + 255) * step


class CurveScope(ScpiScope):
    """A scope of this family. Options: `generation` ("tds", "dpo", "mso"; "auto": by the model), `width` in bytes of a
    code (1 or 2), `timeout`.
    """

    NAME = "scope-curve"
    LINE = LINE
    OPTIONS = MappingProxyType({"generation": "auto", "width": 1})
    CHANNELS = 8
    _words: Generation

    @staticmethod
    def takes(identity: Identity) -> bool:
        """True for an answer to `*IDN?` that names a model of this family."""
        return identity.maker.upper() == "TEKTRONIX" and bool(_generation_of(identity))

    def _recognise(self, identity: Identity) -> None:
        named = self.options["generation"]
        found = named if named != "auto" else _generation_of(identity)
        if found not in GENERATIONS:
            raise InstrumentError(
                f"{identity} at {self._link.address} is no model of the curve family this driver knows.",
                instrument=str(identity),
                next_step=f"Name its generation in the bench file: {', '.join(GENERATIONS)}.",
            )
        self._words = GENERATIONS[found]
        self._centres: dict[int, float] = {}

    def _begin(self) -> None:
        scpi_common.send_all(self._port, ("HEADER OFF", "VERBOSE ON"))

    def _errors(self) -> list[tuple[int, str]]:
        found: list[tuple[int, str]] = []
        if not self._events():
            return found
        while len(found) < _EVENTS_LIMIT:
            code, text = answers.error_entry(self._port.ask("EVMSG?"))
            if code in _NO_EVENTS:
                break
            found.append((code, text))
        # 400 to 499 are news, not errors: power on, operation complete, user request.
        return [(code, text) for code, text in found if not 400 <= code < 500]

    # Settings

    def set_channel(
        self,
        channel: int,
        *,
        scale: float | None = None,
        offset: float | None = None,
        coupling: str | None = None,
        probe: float | None = None,
        bandwidth_limit: bool | None = None,
    ) -> None:
        """See `Oscilloscope.set_channel`. Where the model has no offset in volts, the trace is moved by divisions."""
        self._known()
        self._check_channel(channel)
        self._set_if_known(f"CH{channel} shown", f"SELECT:CH{channel} ON")  # what is not displayed gives no curve
        start = f"CH{channel}:"
        settings: dict[str, str] = {}
        if probe is not None:
            settings["PROBE"] = self._probe_message(probe)
        if coupling is not None:
            known = {"dc": "DC", "ac": "AC", "ground": "GND"}
            settings["COUPLING"] = f"COUPLING {self._choice('coupling', coupling, known)}"
        if bandwidth_limit is not None:
            settings["BANDWIDTH"] = f"BANDWIDTH {self._words.limit[0 if bandwidth_limit else 1]}"
        if scale is not None:
            settings["SCALE"] = f"SCALE {number_text(scale)}"
        if offset is not None:
            self._centres[channel] = offset
        self._set(f"settings of channel {channel}", {start + name: start + text for name, text in settings.items()})
        if scale is not None or offset is not None:
            self._centre(channel)
        if probe is not None:
            self._probes[channel] = probe
            self._check_probe(channel)

    def _probe_message(self, probe: float) -> str:
        return {
            "attenuation": f"PROBE {number_text(probe)}",
            "gain": f"PROBE:GAIN {number_text(1.0 / probe)}",
            "external": f"PROBEFUNC:EXTATTEN {number_text(probe)}",
        }[self._words.probe]

    def _probe_factor(self, channel: int) -> float | None:
        question = {"attenuation": "PROBE?", "gain": "PROBE:GAIN?", "external": "PROBEFUNC:EXTATTEN?"}
        found = self._port.ask_number(f"CH{channel}:{question[self._words.probe]}").value
        return 1.0 / found if found and self._words.probe == "gain" else found

    def _centre(self, channel: int) -> None:
        """Put the wanted volts at the centre of the screen."""
        volts, start = self._centres.get(channel, 0.0), f"CH{channel}:"
        if self._words.has_offset:
            messages = {f"{start}OFFSET": f"{start}OFFSET {number_text(volts)}"}
        else:
            scale = self._port.ask_number(f"{start}SCALE?").value or 1.0
            messages = {f"{start}POSITION": f"{start}POSITION {number_text(-volts / scale)}"}
        self._set(f"the offset of channel {channel}", messages)

    def set_timebase(self, *, scale: float | None = None, position: float | None = None) -> None:
        """See `Oscilloscope.set_timebase`. Scopes with a delay count the position only while it is on."""
        self._known()
        if position is not None and self._words.delays:
            self._set_if_known("delay mode", f"{self._words.horizontal}:DELAY:MODE ON")
        super().set_timebase(scale=scale, position=position)

    def _time_headers(self) -> tuple[str, str]:
        words = self._words.horizontal
        return f"{words}:SCALE", f"{words}:DELAY:TIME" if self._words.delays else f"{words}:POSITION"

    def set_trigger(
        self,
        *,
        source: int | None = None,
        level: float | None = None,
        slope: str | None = None,
        sweep: str | None = None,
    ) -> None:
        """See `Oscilloscope.set_trigger`."""
        self._known()
        words, messages = self._words.trigger, {}
        if source is not None:
            self._check_channel(source)
            self._source = source
            messages["trigger source"] = f"{words}:EDGE:SOURCE CH{source}"
        if slope is not None:
            messages["trigger slope"] = f"{words}:EDGE:SLOPE {self._choice('slope', slope, _SLOPES)}"
        if level is not None:
            node = self._words.level.format(self._source)
            messages["trigger level"] = f"{words}:{node} {number_text(level)}"
        if sweep is not None:
            messages["trigger sweep"] = f"{words}:MODE {self._choice('sweep', sweep, _SWEEPS)}"
        self._set("the trigger", messages)

    _source = 1

    def _view(self, channel: int) -> tuple[float, float]:
        scale, position = (self._port.ask_number(f"CH{channel}:{name}?").value or 0.0 for name in ("SCALE", "POSITION"))
        offset = self._port.ask_number(f"CH{channel}:OFFSET?").value or 0.0 if self._words.has_offset else 0.0
        return scale, offset - position * scale

    # Acquisition

    def run(self) -> None:
        """Acquire again and again, in the sweep that was chosen."""
        self._known()
        self._triggered = None
        scpi_common.send_all(self._port, self._running())

    def _running(self) -> Iterable[str]:
        sweep = self._settings.get("trigger sweep", f"{self._words.trigger}:MODE AUTO")
        return (sweep, "ACQUIRE:STOPAFTER RUNSTOP", "ACQUIRE:STATE RUN")

    def stop(self) -> None:
        """Keep the present record."""
        self._known()
        self._port.send("ACQUIRE:STATE STOP")

    def _farewell(self) -> Iterable[str]:
        return self._running() if self._identity else ()

    def _arm(self) -> None:
        self._forced = False
        scpi_common.send_all(
            self._port,
            (
                "ACQUIRE:STATE STOP",
                f"{self._words.trigger}:MODE NORMAL",
                "ACQUIRE:STOPAFTER SEQUENCE",
                "ACQUIRE:STATE RUN",
            ),
        )
        self._refuse_errors("to arm")

    def _state(self) -> bool | None:
        answer = self._port.ask("ACQUIRE:STATE?").upper()
        return None if answer in ("1", "ON", "RUN") else not self._forced

    def _force(self) -> None:
        self._forced = True
        auto = f"{self._words.trigger}:MODE AUTO"
        scpi_common.send_all(self._port, ("ACQUIRE:STATE STOP", auto, "ACQUIRE:STATE RUN"))

    def _auto_triggered(self) -> bool:
        return self._port.ask("TRIGGER:STATE?").upper() != "AUTO"

    # Transfer

    def _fetch(self, channel: int, points: int | None, progress: Progress | None, triggered: bool) -> Waveform:
        length = round(self._port.ask_number("HORIZONTAL:RECORDLENGTH?").value or 0)
        scpi_common.send_all(
            self._port,
            (
                f"DATA:SOURCE CH{channel}",
                "DATA:ENCDG RIBINARY",
                f"DATA:WIDTH {self.options['width']}",
                "DATA:START 1",
                f"DATA:STOP {points or length}",
            ),
        )
        try:
            before = self._preamble()
            block = self._port.ask_block("CURVE?", progress=_in_samples(progress, before.byte_width))
        except (LinkTimeout, FrameError) as silence:
            self._refuse_errors(f"the curve of channel {channel}")  # not displayed: an event, and no data
            raise silence
        codes = np.frombuffer(block, dtype=before.dtype)
        if codes.size < 2 or codes.size > (points or length):
            raise InstrumentError(
                f"{self._name()} gave {codes.size} points where {points or length} were asked for.",
                instrument=self._name(),
                next_step="Check that the channel is displayed and an acquisition has ended.",
            )
        if self._preamble() != before:
            raise self._moved()
        self._refuse_errors(f"the record of channel {channel}")
        return _waveform(before, codes, triggered)

    def _preamble(self) -> Preamble:
        return Preamble(
            byte_width=round(self._field("BYT_NR")),
            signed=self._word("BN_FMT").startswith("RI"),
            most_significant_first=self._word("BYT_OR").startswith("MSB"),
            points=round(self._field("NR_PT")),
            x_increment=self._field("XINCR"),
            x_zero=self._field("XZERO"),
            point_offset=self._field("PT_OFF"),
            y_multiplier=self._field("YMULT"),
            y_offset=self._field("YOFF"),
            y_zero=self._field("YZERO"),
        )

    def _word(self, name: str) -> str:
        return self._port.ask(f"{self._words.preamble}:{name}?").upper()

    def _field(self, name: str) -> float:
        found = self._port.ask_number(f"{self._words.preamble}:{name}?")
        if found.value is None:
            raise FrameError(f"The preamble's {name} is {found.text!r}.")
        return found.value


_SLOPES = MappingProxyType({"rising": "RISE", "falling": "FALL"})
_SWEEPS = MappingProxyType({"auto": "AUTO", "normal": "NORMAL"})


def _in_samples(progress: Progress | None, width: int) -> Progress | None:
    return None if progress is None else lambda done, total: progress(done // width, total // width)


def _waveform(fields: Preamble, codes: np.ndarray[tuple[int], np.dtype[np.generic]], triggered: bool) -> Waveform:
    return Waveform.from_codes(
        codes,
        fields.y_multiplier,
        fields.y_zero - fields.y_offset * fields.y_multiplier,
        fields.x_increment,
        fields.x_zero - fields.point_offset * fields.x_increment,
        code_limits=fields.code_limits,
        triggered=triggered,
    )


def _generation_of(identity: Identity) -> str:
    """The generation by model; "" for one this driver does not know."""
    model = identity.model.upper().replace(" ", "")
    return next((generation for pattern, generation in _MODELS if re.match(pattern, model)), "")
