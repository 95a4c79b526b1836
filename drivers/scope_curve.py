"""Oscilloscopes that send a curve with a preamble of their own: TDS, TPS, DPO, MSO and MDO series.

    volts = (code - YOFf) * YMUlt + YZEro        time(i) = XZEro + (i - PT_OFf) * XINcr

- The whole formula, always: which term is 0 differs by generation, and YOFf and YZEro even swap places in the preamble.
  So each field is asked by its name and none is ever counted off.
- Headers go off first; they are a power-on default on several models.
- Errors are events: readable with `EVMsg?`, and only after `*ESR?`.
- `single` arms in NORMal mode, so a record that came was triggered; the chosen sweep comes back with `run`.

Sources: the programmer manuals of the TDS1000/2000, TDS5000B, DPO/MSO4000 and TPS2000 series, cross-read in scopehal.
From memory: the settings of a plain input and record; that horizontal POSition is seconds on the TDS generation and
percent of the record on later ones, which have a delay in seconds and a mode for it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from benchrig.errors import FrameError, InstrumentError, LinkTimeout
from benchrig.instruments import Identity, LineSettings, ScreenView
from benchrig.signals.waveform import Waveform
from benchrig.wire import answers

from . import scpi_common
from .scope_base import ScpiScope
from .scope_block import Progress, codes, in_samples
from .scope_words import FamilyWords, named
from .scpi_common import number_text

LINE = LineSettings(baud=9600)


@dataclass(frozen=True, slots=True)
class Generation:
    """How one generation differs."""

    preamble: str
    trigger: str
    words: FamilyWords
    probe_question: str
    has_offset: bool  # volts; else only a position in divisions
    delay_mode: str  # the time position is a delay, which counts only in this mode; POSition is percent of the record
    #                  there. "": the time position is POSition itself


def _forms(probe: str, trigger: str, level: str, time_scale: str, time_position: str) -> Mapping[str, str]:
    return {
        "probe": f"CH{{channel}}:{probe} {{value}}",
        "coupling": "CH{channel}:COUPLING {value}",
        "limit": "CH{channel}:BANDWIDTH {value}",
        "scale": "CH{channel}:SCALE {value}",
        "time scale": f"{time_scale} {{value}}",
        "time position": f"{time_position} {{value}}",
        "trigger source": f"{trigger}:EDGE:SOURCE CH{{channel}}",
        "trigger slope": f"{trigger}:EDGE:SLOPE {{value}}",
        "trigger level": f"{trigger}:{level} {{value}}",
        "trigger sweep": f"{trigger}:MODE {{value}}",
    }


def _words(forms: Mapping[str, str], limits: tuple[str, str], *, gain: bool = False) -> FamilyWords:
    slopes, sweeps = {"rising": "RISE", "falling": "FALL"}, {"auto": "AUTO", "normal": "NORMAL"}
    return FamilyWords(
        forms,
        "ACQUIRE:STATE STOP",
        limits,
        slopes=slopes,
        sweeps=sweeps,
        plain_input=("CH{channel}:INVERT OFF", "CH{channel}:TERMINATION 1E6", "CH{channel}:IMPEDANCE MEG"),
        plain_record=("ACQUIRE:MODE SAMPLE",),
        gain=gain,
    )


_TDS = _forms("PROBE", "TRIGGER:MAIN", "LEVEL", "HORIZONTAL:MAIN:SCALE", "HORIZONTAL:MAIN:POSITION")
_DPO = _forms("PROBE:GAIN", "TRIGGER:A", "LEVEL:CH{channel}", "HORIZONTAL:SCALE", "HORIZONTAL:DELAY:TIME")
_MSO = {**_DPO, "probe": "CH{channel}:PROBEFUNC:EXTATTEN {value}"}
_DELAY_ON = "HORIZONTAL:DELAY:MODE ON"
GENERATIONS: Mapping[str, Generation] = MappingProxyType(
    {
        "tds": Generation("WFMPRE", "TRIGGER:MAIN", _words(_TDS, ("ON", "OFF")), "PROBE?", False, ""),
        "dpo": Generation(
            "WFMOUTPRE", "TRIGGER:A", _words(_DPO, ("TWENTY", "FULL"), gain=True), "PROBE:GAIN?", True, _DELAY_ON
        ),
        "mso": Generation(
            "WFMOUTPRE", "TRIGGER:A", _words(_MSO, ("20E6", "FULL")), "PROBEFUNC:EXTATTEN?", True, _DELAY_ON
        ),
    }
)
_MODELS = (
    (r"(RIGOL|AGILENT|KEYSIGHT|HEWLETT)", ""),  # their MSO speak other grammars; they relabel none of this family
    (r"\S* (MSO[456]\d[AB]?$|MSO[456]\dLP)", "mso"),
    (r"\S* (TDS[567]|DPO|MSO|MDO)", "dpo"),
    (r"\S* (TDS|TPS|TBS)", "tds"),
)
_EVENTS_LIMIT = 40
_NO_EVENTS = (0, 1)


@dataclass(frozen=True, slots=True)
class CurvePreamble:
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
    VARIANT = "generation"
    VARIANTS = GENERATIONS
    _generation: Generation

    @classmethod
    def takes(cls, identity: Identity) -> bool:
        """True for an answer to `*IDN?` that names a model of this family and its maker."""
        return identity.maker.upper() == "TEKTRONIX" and super().takes(identity)

    @staticmethod
    def variant_of(identity: Identity) -> str:
        """By the model; a relabelled one counts too where the bench file names this driver."""
        maker, model = (it.upper().replace(" ", "") for it in (identity.maker, identity.model))
        return named(_MODELS, f"{maker} {model}")

    def _take_variant(self, variant: str) -> None:
        self._generation = GENERATIONS[variant]
        self._words = self._generation.words

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

    def _show(self, channel: int) -> None:
        self._settings.make_if_known(f"channel {channel} shown", f"SELECT:CH{channel} ON")

    def _probe_factor(self, channel: int) -> float | None:
        found = self._port.ask_number(f"CH{channel}:{self._generation.probe_question}").value
        return 1.0 / found if found and self._words.gain else found

    def _keep_centre(self, channel: int) -> None:
        """Where the model has no offset in volts, the trace is moved by divisions, anew for each scale."""
        volts, start = self._centres.get(channel, 0.0), f"CH{channel}:"
        if self._generation.has_offset:
            message = f"{start}OFFSET {number_text(volts)}"
        else:
            scale = self._port.ask_number(f"{start}SCALE?").value or 1.0
            message = f"{start}POSITION {number_text(-volts / scale)}"
        self._set(f"the offset of channel {channel}", {f"channel {channel} offset": message})

    def set_timebase(self, *, scale: float | None = None, position: float | None = None) -> None:
        """See `Oscilloscope.set_timebase`. Scopes with a delay count the position only while it is on."""
        self._known()
        if position is not None and self._generation.delay_mode:
            self._settings.make_if_known("delay mode", self._generation.delay_mode)
        super().set_timebase(scale=scale, position=position)

    def _view(self, channel: int) -> ScreenView:
        scale, position = (self._port.ask_number(f"CH{channel}:{name}?").value or 0.0 for name in ("SCALE", "POSITION"))
        offset = self._port.ask_number(f"CH{channel}:OFFSET?").value or 0.0 if self._generation.has_offset else 0.0
        return ScreenView(scale, offset - position * scale)

    # Acquisition

    def _running(self) -> Iterable[str]:
        sweep = self._settings.last("trigger sweep", f"{self._generation.trigger}:MODE AUTO")
        return (sweep, "ACQUIRE:STOPAFTER RUNSTOP", "ACQUIRE:STATE RUN")

    def _arm(self) -> None:
        scpi_common.send_all(
            self._port,
            (
                "ACQUIRE:STATE STOP",
                f"{self._generation.trigger}:MODE NORMAL",
                "ACQUIRE:STOPAFTER SEQUENCE",
                "ACQUIRE:STATE RUN",
            ),
        )
        self._refuse_errors("to arm")

    def _state(self) -> bool | None:
        answer = self._port.ask("ACQUIRE:STATE?").upper()
        return None if answer in ("1", "ON", "RUN") else True

    def _force(self) -> None:
        auto = f"{self._generation.trigger}:MODE AUTO"
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
            block = self._port.ask_block("CURVE?", progress=in_samples(progress, before.byte_width))
            found = codes(block, before.dtype)
        except (LinkTimeout, FrameError) as silence:
            self._refuse_errors(f"the curve of channel {channel}")  # not displayed: an event, and no data
            raise silence
        if found.size < 2 or found.size > (points or length):
            raise InstrumentError(
                f"{self._name()} gave {found.size} points where {points or length} were asked for.",
                instrument=self._name(),
                next_step="Check that the channel is displayed and an acquisition has ended.",
            )
        if self._preamble() != before:
            raise self._moved()
        self._refuse_errors(f"the record of channel {channel}")
        return _waveform(before, found, triggered)

    def _preamble(self) -> CurvePreamble:
        width = round(self._field("BYT_NR"))
        if width not in (1, 2):
            raise FrameError(f"The curve comes in codes of {width} bytes.")
        return CurvePreamble(
            byte_width=width,
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
        return self._port.ask(f"{self._generation.preamble}:{name}?").upper()

    def _field(self, name: str) -> float:
        found = self._port.ask_number(f"{self._generation.preamble}:{name}?")
        if found.value is None:
            raise FrameError(f"The preamble's {name} is {found.text!r}.")
        return found.value


def _waveform(fields: CurvePreamble, found: NDArray[np.generic], triggered: bool) -> Waveform:
    return Waveform.from_codes(
        found,
        fields.y_multiplier,
        fields.y_zero - fields.y_offset * fields.y_multiplier,
        fields.x_increment,
        fields.x_zero - fields.point_offset * fields.x_increment,
        code_limits=fields.code_limits,
        triggered=triggered,
    )
