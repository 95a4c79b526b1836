"""Oscilloscopes whose `:WAVeform:PREamble?` answers ten fields: InfiniiVision, Infiniium, DS1000Z and their relatives.

The ten names are shared; the rule for volts is not, and the wrong one is right whenever the offset is 0. So the model
must be known (or named by the option `variant`), and an unknown model is refused:

- a1   (code - yreference) * yincrement + yorigin, yorigin in volts; unsigned; code 0 is a hole, 1 and 255 are clipped
- a1b  code * yincrement + yorigin; signed; the preamble goes on after the ten fields; code 125 is a hole
- a2   (code - yorigin - yreference) * yincrement, yorigin in codes; unsigned; 0 and 255 are off the converter

Sources: the programmer's guides of the InfiniiVision, Infiniium 9000 and DS1000Z/MSO1000Z series, cross-read in
libsigrok and scopehal. From memory: the sign of the A2 offset (added to the trace); the settings of a plain input and
record; that "not running" may for a moment still be of the acquisition before; where a1b sets coupling and trigger in
other words than a1, and says by `:ADER?` that a record is done.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from benchrig.errors import FrameError, InstrumentError
from benchrig.instruments import Identity, LineSettings, ScreenView
from benchrig.signals.waveform import Waveform
from benchrig.wire import answers

from . import scpi_common
from .scope_base import ScpiScope
from .scope_block import Progress
from .scope_words import FamilyWords, named

LINE = LineSettings(baud=9600)


@dataclass(frozen=True, slots=True)
class Variant:
    """How one branch of the family differs."""

    origin_in_codes: bool
    uses_reference: bool
    signed: bool
    code_limits: tuple[int, int]
    hole: int | None
    paged: bool  # deep records are read in pages with STARt and STOP
    screen_points: int
    words: FamilyWords
    points: str  # how the length of a record is asked for; "": it comes whole
    done_event: bool = False  # the end of an acquisition is an event of its own, not a condition


_FORMS = {
    "shown": ":CHAN{channel}:DISP 1",
    "probe": ":CHAN{channel}:PROB {value}",
    "coupling": ":CHAN{channel}:COUP {value}",
    "limit": ":CHAN{channel}:BWL {value}",
    "scale": ":CHAN{channel}:SCAL {value}",
    "offset": ":CHAN{channel}:OFFS {value}",
    "time scale": ":TIM:SCAL {value}",
    "time position": ":TIM:POS {value}",
    "trigger mode": ":TRIG:MODE EDGE",
    "trigger source": ":TRIG:EDGE:SOUR CHAN{channel}",
    "trigger slope": ":TRIG:EDGE:SLOP {value}",
    "trigger level": ":TRIG:EDGE:LEV {value}",
    "trigger sweep": ":TRIG:SWE {value}",
}
_PLAIN = (":CHAN{channel}:INV 0", ":CHAN{channel}:UNIT VOLT")
_A1_WORDS = FamilyWords(
    _FORMS,
    ":STOP",
    ("1", "0"),
    couplings={"dc": "DC", "ac": "AC"},
    plain_input=(*_PLAIN, ":CHAN{channel}:IMP ONEM"),
    plain_record=(":TIM:MODE MAIN", ":ACQ:TYPE NORM"),
)
_A1B_WORDS = FamilyWords(
    {**_FORMS, "coupling": ":CHAN{channel}:INP {value}", "trigger level": ":TRIG:LEV CHAN{channel},{value}"},
    ":STOP",
    ("1", "0"),
    couplings={"dc": "DC", "ac": "AC"},  # both of 1 Mohm: there 50 ohm is a coupling of its own
    sweeps={"auto": "AUTO", "normal": "TRIG"},
    plain_input=_PLAIN,
    plain_record=(":ACQ:AVER OFF",),
)
_A2_WORDS = FamilyWords(
    {**_FORMS, "time position": ":TIM:OFFS {value}"},
    ":STOP",
    ("20M", "OFF"),
    plain_input=(*_PLAIN, ":CHAN{channel}:IMP OMEG"),
    plain_record=(":TIM:MODE MAIN", ":ACQ:TYPE NORM"),
    offset_sign=-1.0,
)
_A1_POINTS, _A2_POINTS = ":WAV:POIN:MODE {mode};:WAV:POIN {points}", ":WAV:MODE {mode}"
VARIANTS: Mapping[str, Variant] = MappingProxyType(
    {
        "a1": Variant(False, True, False, (1, 255), 0, False, 1000, _A1_WORDS, _A1_POINTS),
        "a1b": Variant(False, False, True, (-128, 127), 125, False, 1000, _A1B_WORDS, "", done_event=True),
        "a2": Variant(True, True, False, (0, 255), None, True, 1200, _A2_WORDS, _A2_POINTS),
    }
)
# Maker and model, upper case, first match wins. An empty name: known, and not for this driver.
_MODELS = (
    (r"RIGOL.* (DS1\d\d\d[ED]|VS5)", ""),
    (r"RIGOL.* (DS|MSO|DHO)\d", "a2"),
    (r".* DSO1\d\d\d[AB]$", "a2"),
    (r".* ((DSO|MSO)S\d|(DSO|MSO|DSA)[XZ]?(8|9)\d\d)", "a1b"),
    (r"(AGILENT|KEYSIGHT|HEWLETT).* (DSO|MSO|EDU)-?X? ?\d", "a1"),
)
_PAGE = 250_000  # points a DS1000Z gives at a time in BYTE format
_RUNNING = 8
_AVERAGE = 2  # the preamble's second field of a1
_SETTLED = 0.1  # seconds after arming in which "not running" may still be of the acquisition before


@dataclass(frozen=True, slots=True)
class TenfieldPreamble:
    """The ten fields. `format` 0 byte, 1 word; `kind` normal, peak, average ...; the rest as the formulas name them."""

    format: int
    kind: int
    points: int
    count: int
    x_increment: float
    x_origin: float
    x_reference: float
    y_increment: float
    y_origin: float
    y_reference: float

    @property
    def scaling(self) -> tuple[float, ...]:
        """What turns codes into volts and seconds."""
        return (self.x_increment, self.x_origin, self.y_increment, self.y_origin, self.y_reference)


def preamble(text: str) -> TenfieldPreamble:
    """The first ten of an answer's fields; more may follow. Raises FrameError for fewer, or for what is no number."""
    fields = answers.fields(text)
    if len(fields) < 10:
        raise FrameError(f"A preamble of {len(fields)} fields where ten are due: {text[:60]!r}.")
    values = [answers.number(field).value for field in fields[:10]]
    if None in values:
        raise FrameError(f"A field of the preamble is no number: {text[:60]!r}.")
    given = [float(value or 0.0) for value in values]
    return TenfieldPreamble(*(round(value) for value in given[:4]), *given[4:])


def volts_rule(variant: Variant, fields: TenfieldPreamble) -> tuple[float, float]:
    """`(scale, offset)` with volts = code * scale + offset."""
    step = fields.y_increment
    reference = fields.y_reference if variant.uses_reference else 0.0
    if variant.origin_in_codes:
        return step, -(fields.y_origin + reference) * step
    return step, fields.y_origin - reference * step


class TenFieldScope(ScpiScope):
    """A scope of this family. Options: `variant` ("a1", "a1b", "a2"; "auto": by the model), `timeout`."""

    NAME = "scope-tenfield"
    LINE = LINE
    OPTIONS = MappingProxyType({"variant": "auto"})
    VARIANTS = VARIANTS
    CHANNELS = 4
    _variant: Variant
    _saw_auto = False
    _saw_armed = False
    _armed_at = 0.0

    @staticmethod
    def variant_of(identity: Identity) -> str:
        """By maker and model."""
        return named(_MODELS, f"{identity.maker} {identity.model}".upper())

    def _take_variant(self, variant: str) -> None:
        self._variant = VARIANTS[variant]
        self._words = self._variant.words

    def _begin(self) -> None:
        if self._variant.signed:
            scpi_common.send_all(self._port, (":SYST:HEAD OFF", ":WAV:STR OFF"))

    def _probe_factor(self, channel: int) -> float | None:
        answer = self._port.ask(f":CHAN{channel}:PROB?")
        return answers.number(answer.upper().removesuffix("X")).value  # one relative answers 10X

    def _view(self, channel: int) -> ScreenView:
        scale, offset = (self._port.ask_number(f":CHAN{channel}:{name}?").value or 0.0 for name in ("SCAL", "OFFS"))
        return ScreenView(scale, offset * self._words.offset_sign)

    # Acquisition

    def _running(self) -> Iterable[str]:
        return (":RUN",)

    def _arm(self) -> None:
        if not self._variant.paged:
            self._clear_events()
        self._saw_auto = False
        self._port.send(":SING")
        self._refuse_errors("to arm")
        self._just_armed()

    def _clear_events(self) -> None:
        """They clear on reading."""
        self._port.ask(":TER?")
        if self._variant.done_event:
            self._port.ask(":ADER?")

    def _just_armed(self) -> None:
        self._saw_armed, self._armed_at = False, self._clock.now()

    def _state(self) -> bool | None:
        if self._variant.paged:
            state = self._port.ask(":TRIG:STAT?").upper()
            self._saw_auto |= state == "AUTO"
            return not self._saw_auto if self._over(running=state != "STOP") else None
        if self._variant.done_event:
            return bool(self._port.ask_number(":TER?").value) if self._port.ask_number(":ADER?").value else None
        running = bool(round(self._port.ask_number(":OPER:COND?").value or 0) & _RUNNING)
        triggered = not running and bool(self._port.ask_number(":TER?").value)
        return triggered if triggered or self._over(running=running) else None

    def _over(self, *, running: bool) -> bool:
        """Whether the acquisition that was armed has ended; not running may at first be of the one before."""
        self._saw_armed |= running or self._clock.now() >= self._armed_at + _SETTLED
        return self._saw_armed and not running

    def _force(self) -> None:
        if self._variant.paged:
            self._port.send(":TFOR")
            return
        sweep = self._settings.last("trigger sweep", f":TRIG:SWE {self._words.sweeps['normal']}")
        scpi_common.send_all(self._port, (":STOP", ":TRIG:SWE AUTO"))
        self._clear_events()
        scpi_common.send_all(self._port, (":SING", sweep))
        self._just_armed()

    def _auto_triggered(self) -> bool:
        if self._variant.paged:
            return self._port.ask(":TRIG:STAT?").upper() != "AUTO"
        return bool(self._port.ask_number(":TER?").value)

    # Transfer

    def _fetch(self, channel: int, points: int | None, progress: Progress | None, triggered: bool) -> Waveform:
        deep = points is not None and points > self._variant.screen_points
        self._port.send(f":WAV:SOUR CHAN{channel}")
        self._port.send(":WAV:FORM BYTE")
        if not self._variant.paged and not self._variant.signed:
            self._port.send(":WAV:UNS 1")
        mode = self._variant.points.format(mode="RAW" if deep else "NORM", points=points or self._variant.screen_points)
        scpi_common.send_all(self._port, mode.split(";") if mode else ())
        before = self._preamble()
        self._refuse_averages(before)
        codes = self._paged(before, points, deep, progress) if self._variant.paged else self._whole(before, progress)
        if self._preamble().scaling != before.scaling:
            raise self._moved()
        self._refuse_errors(f"the record of channel {channel}")
        return self._waveform(before, codes, triggered)

    def _preamble(self) -> TenfieldPreamble:
        """After arming one model first answers +0, and another an increment of 0: ask once more."""
        text = self._port.ask(":WAV:PRE?")
        if "," not in text:
            text = self._port.ask(":WAV:PRE?")
        found = preamble(text)
        if found.x_increment == 0.0:
            found = preamble(self._port.ask(":WAV:PRE?"))
        if found.format != 0:
            raise FrameError(f"The record comes in format {found.format}, not in bytes.")
        return found

    def _refuse_averages(self, fields: TenfieldPreamble) -> None:
        """They hold what was before the last turn of a trimmer too. Only a1 tells; the others are set, not asked."""
        if not self._variant.paged and not self._variant.signed and fields.kind == _AVERAGE:
            raise InstrumentError(
                f"{self._name()} gives averages of its records.",
                instrument=self._name(),
                next_step="Set its acquisition to normal, or start the step again to have it set up.",
            )

    def _whole(self, fields: TenfieldPreamble, progress: Progress | None) -> NDArray[np.generic]:
        kind = np.int8 if self._variant.signed else np.uint8
        codes = np.frombuffer(self._port.ask_block(":WAV:DATA?", progress=progress), dtype=kind)
        if codes.size != fields.points:
            raise self._short(codes.size, fields.points)
        return codes

    def _paged(
        self, fields: TenfieldPreamble, points: int | None, deep: bool, progress: Progress | None
    ) -> NDArray[np.generic]:
        """The record page by page into one array made beforehand, so that memory stays at the record's own size."""
        total = points or min(fields.points, self._variant.screen_points)
        if total < 2:
            raise self._short(0, fields.points)
        codes = np.empty(total, dtype=np.uint8)
        done = 0
        while done < total:
            page = min(_PAGE, total - done)
            scpi_common.send_all(self._port, (f":WAV:STAR {done + 1}", f":WAV:STOP {done + page}"))
            part = np.frombuffer(self._port.ask_block(":WAV:DATA?"), dtype=np.uint8)
            if part.size == 0 or part.size > page:
                raise self._short(done + part.size, total)
            codes[done : done + part.size] = part
            done += part.size
            if progress is not None:
                progress(done, total)
        return codes

    def _short(self, got: int, due: int) -> InstrumentError:
        return InstrumentError(
            f"{self._name()} gave {got} points of a record of {due}.",
            instrument=self._name(),
            next_step="Stop the scope first for a deep record, ask for fewer points, or use a faster timebase.",
        )

    def _waveform(self, fields: TenfieldPreamble, codes: NDArray[np.generic], triggered: bool) -> Waveform:
        variant = self._variant
        if variant.hole is not None and (codes == variant.hole).any():
            raise InstrumentError(
                f"{self._name()} gave a record with holes, where it has no data yet.",
                instrument=self._name(),
                next_step="Wait for the acquisition to end, then take the record again.",
            )
        scale, offset = volts_rule(variant, fields)
        return Waveform.from_codes(
            codes,
            scale,
            offset,
            fields.x_increment,
            fields.x_origin - fields.x_reference * fields.x_increment,
            code_limits=variant.code_limits,
            triggered=triggered,
        )
