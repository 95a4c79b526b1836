"""Oscilloscopes that describe a record with a WAVEDESC block, and a relative of theirs that is asked instead.

- c1  WaveRunner, HDO, WavePro and the like: volts = code * gain - offset, times from the descriptor
- c2  SDS1000X/X-E, SDS2000X, T3DSO1000: the data alone; volts = code * vdiv / 25 - offset and
      time(i) = delay - 7 divisions + i / rate, from questions of their own

Headers go off first. Where a relative leaves name and unit in its answers all the same, they are read with their SI
letters. There is no error queue to rely on: the event register tells that something was refused, not what.

Sources: the remote-control manuals of the WaveRunner and SDS1000X series, cross-read in libsigrok, scopehal and
lecroyutils. From memory: the settings of a plain input and record, which are of c2.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from benchrig.errors import FrameError, InstrumentError
from benchrig.instruments import Identity, LineSettings, ScreenView
from benchrig.signals.waveform import Waveform

from . import wavedesc
from .scope_base import ScpiScope
from .scope_block import Progress, codes, in_samples
from .scope_words import FamilyWords, named

LINE = LineSettings(baud=9600)

_MODELS = ((r".*(SDS[12]\d{3}X|T3DSO1)", "c2"), (r"\*?(LECROY|TELEDYNE)", "c1"))
_CODES_PER_DIVISION = 25
_DIVISIONS = 14  # across the screen of c2
# The offset is added to the trace: the centre of the screen is at minus this.
_WORDS = FamilyWords(
    {
        "shown": "C{channel}:TRA ON",
        "probe": "C{channel}:ATTN {value}",
        "coupling": "C{channel}:CPL {value}",
        "limit": "BWL C{channel},{value}",
        "scale": "C{channel}:VDIV {value}",
        "offset": "C{channel}:OFST {value}",
        "time scale": "TDIV {value}",
        "time position": "TRDL {value}",
        "trigger source": "TRSE EDGE,SR,C{channel}",
        "trigger slope": "C{channel}:TRSL {value}",
        "trigger level": "C{channel}:TRLV {value}",
        "trigger sweep": "TRMD {value}",
    },
    stop="STOP",
    limits=("ON", "OFF"),
    couplings={"dc": "D1M", "ac": "A1M", "ground": "GND"},
    plain_input=("C{channel}:INVS OFF", "C{channel}:UNIT V"),
    plain_record=("ACQW SAMPLING",),
    offset_sign=-1.0,
)
_NEW_TRACE = 1
# The error bits of the event register, but for the query error: that is of an answer that nobody fetched.
_EVENT_WORDS = ((0x20, "not understood"), (0x10, "not possible"), (0x08, "device trouble"))
_SI = re.compile(r"(?:[A-Z0-9:]+ )?([+-]?(?:\d+\.?\d*|\.\d+)(?:E[+-]?\d+)?) ?([GMKUN]?)(SA/S|V|S|SA)?", re.IGNORECASE)
_SI_FACTORS = {"": 1.0, "G": 1e9, "K": 1e3, "U": 1e-6, "N": 1e-9}


def si_number(text: str) -> float:
    """The number in `SARA 1.00GSa/s`, `C1:VDIV 5.00E-01V` or `0.5`. M is mega before Sa, milli before V and s.

    Raises FrameError for anything else.
    """
    match = _SI.fullmatch(text.strip())
    if not match:
        raise FrameError(f"{text!r} is not a number with a unit.")
    number, letter, unit = match[1], match[2].upper(), (match[3] or "").upper()
    if letter == "M":
        return float(number) * (1e6 if unit.startswith("SA") else 1e-3)
    return float(number) * _SI_FACTORS[letter]


@dataclass(frozen=True, slots=True)
class _Scaling:
    """What turns the codes of one record into volts and seconds."""

    scale: float
    offset: float
    interval: float
    start: float
    dtype: str
    code_limits: tuple[int, int]
    points: int | None  # due; None where it is not told


class DescriptorScope(ScpiScope):
    """A scope of this family. Options: `variant` ("c1", "c2"; "auto": by the model), `word` (True: 16-bit codes where
    the model has them), `timeout`.
    """

    NAME = "scope-descriptor"
    LINE = LINE
    OPTIONS = MappingProxyType({"variant": "auto", "word": True})
    VARIANTS = ("c1", "c2")
    _described: bool
    _words = _WORDS

    @staticmethod
    def variant_of(identity: Identity) -> str:
        """By maker and model."""
        return named(_MODELS, f"{identity.maker} {identity.model}".upper())

    def _take_variant(self, variant: str) -> None:
        self._described = variant == "c1"

    def _begin(self) -> None:
        self._port.send("CHDR OFF")
        if self._described:
            self._port.send(f"CFMT DEF9,{'WORD' if self.options['word'] else 'BYTE'},BIN")
            self._port.send("CORD HI")

    def _errors(self) -> list[tuple[int, str]]:
        events = self._events()
        return [(bit, word) for bit, word in _EVENT_WORDS if events & bit]

    def _probe_factor(self, channel: int) -> float | None:
        return si_number(self._port.ask(f"C{channel}:ATTN?"))

    def _view(self, channel: int) -> ScreenView:
        scale, offset = (si_number(self._port.ask(f"C{channel}:{name}?")) for name in ("VDIV", "OFST"))
        return ScreenView(scale, offset * self._words.offset_sign)

    # Acquisition

    def _running(self) -> Iterable[str]:
        return (self._settings.last("trigger sweep", "TRMD AUTO"),)

    def _arm(self) -> None:
        self._port.send("STOP")
        self._new_trace()  # the register clears on reading
        self._port.send("TRMD SINGLE")
        self._refuse_errors("to arm")

    def _new_trace(self) -> bool:
        return bool(round(si_number(self._port.ask("INR?"))) & _NEW_TRACE)

    def _state(self) -> bool | None:
        if not self._new_trace():
            return None
        if self._forced:
            self._port.send("STOP")
        return True

    def _force(self) -> None:
        self._port.send("TRMD AUTO")

    def _auto_triggered(self) -> bool:
        """On auto nothing tells a triggered record from a forced one, so none counts as triggered."""
        return "AUTO" not in self._port.ask("TRMD?").upper()

    # Transfer

    def _fetch(self, channel: int, points: int | None, progress: Progress | None, triggered: bool) -> Waveform:
        self._port.send(f"WFSU SP,0,NP,{points or 0},FP,0")
        before = self._scaling(channel)
        question = f"C{channel}:WF? {'DAT1' if self._described else 'DAT2'}"
        width = np.dtype(before.dtype).itemsize
        block = self._port.ask_block(question, progress=in_samples(progress, width))
        found = self._checked(codes(block, before.dtype), before, points)
        if self._scaling(channel) != before:
            raise self._moved()
        self._refuse_errors(f"the record of channel {channel}")
        return Waveform.from_codes(
            found,
            before.scale,
            before.offset,
            before.interval,
            before.start,
            code_limits=before.code_limits,
            triggered=triggered,
        )

    def _checked(self, found: NDArray[np.generic], scaling: _Scaling, points: int | None) -> NDArray[np.generic]:
        due = scaling.points
        wrong = found.size < 2 or (points is not None and found.size > points)
        if wrong or (due is not None and points is None and found.size != due):
            raise InstrumentError(
                f"{self._name()} gave {found.size} points where {points or due or 'a record'} were due.",
                instrument=self._name(),
                next_step="Check that the channel is on and an acquisition has ended.",
            )
        return found

    def _scaling(self, channel: int) -> _Scaling:
        return self._from_descriptor(channel) if self._described else self._from_questions(channel)

    def _from_descriptor(self, channel: int) -> _Scaling:
        found = wavedesc.parse(bytes(self._port.ask_block(f"C{channel}:WF? DESC")))
        if found.padded:
            raise InstrumentError(
                f"{self._name()} gave a record that is only partly filled: its acquisition was broken off.",
                instrument=self._name(),
                next_step="Wait for an acquisition to end; rolling timebases give no whole record.",
            )
        return _Scaling(
            found.gain,
            -found.offset,
            found.interval,
            found.start,
            found.dtype,
            found.code_limits,
            found.points,
        )

    def _from_questions(self, channel: int) -> _Scaling:
        per_division, offset, rate, delay, time_per_division = (
            si_number(self._port.ask(question))
            for question in (f"C{channel}:VDIV?", f"C{channel}:OFST?", "SARA?", "TRDL?", "TDIV?")
        )
        if rate <= 0.0:
            raise FrameError(f"The sample rate is {rate:g}.")
        return _Scaling(
            per_division / _CODES_PER_DIVISION,
            -offset,
            1.0 / rate,
            delay - time_per_division * _DIVISIONS / 2.0,
            "i1",
            (-128, 127),
            None,
        )
