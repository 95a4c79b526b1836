"""Which records and readings belong to the quiet phase of a signal that is busy now and then.

Rules of this module:

- Nobody says how long the phases are. What tells them apart is activity: the peak-to-peak of a record, or how far a
  meter reading lies from its neighbours.
- A gate says QUIET only after it has seen both phases well apart. One kind alone, or a smooth range of activities, is
  UNKNOWN with the reason in words. The past it looks at is bounded.
- A record that reaches into the busy phase is busy: its peak-to-peak shows it. A clipped record is never quiet.
- A meter reading is judged when the next one has come, because a reading that began quiet may end busy. It is quiet
  only if it agrees with the one before and the one after, and so does its predecessor; and the quiet phases must agree
  with each other, or a steady busy level would pass for a quiet one.

Pure: a gate is a value, `step` returns the next one.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass, field, replace

import numpy as np

from ..errors import SignalError
from .waveform import Waveform

_MEMORY = 256
_LEAST = 3  # members of a phase before it counts as seen
_APART = 8.0  # ratio of typical activities
_BETWEEN = 0.1  # share of the past that may lie between the phases
_RECORD_REACH = 3.0  # a quiet record is at most this many times as active as the typical quiet one
_STAY = 2.0  # and may be this much more active while the quiet phase lasts
_DEPTH = 1e-4  # activities below this part of the largest are alike
_SAME_LEVEL = 0.25  # quiet phases differ by less than this part of the busy activity


class GatePhase(enum.StrEnum):
    """What a record or reading belongs to."""

    QUIET = "quiet"
    BUSY = "busy"
    UNKNOWN = "cannot tell"


@dataclass(frozen=True, slots=True)
class Gate:
    """Tells quiet from busy by activity alone: volts, >= 0.

    phase   of the newest activity
    reason  why it is UNKNOWN; "" otherwise
    reach   how many times the typical quiet activity still is quiet; the middle between the phases limits it
    past    newest activities, bounded
    """

    reach: float = _RECORD_REACH
    phase: GatePhase = GatePhase.UNKNOWN
    reason: str = "nothing seen yet"
    past: tuple[float, ...] = ()

    def step(self, activity: float) -> Gate:
        """The gate after one more record. Raises SignalError for NaN or a negative activity."""
        if not activity >= 0.0 or math.isinf(activity):
            raise SignalError(f"Activity {activity!r} is not a finite number >= 0.", next_step="Take the record again.")
        past = (*self.past, activity)[-_MEMORY:]
        split = _split(past)
        if isinstance(split, str):
            return replace(self, phase=GatePhase.UNKNOWN, reason=split, past=past)
        limit = min(split.middle, split.quiet * self.reach)
        if self.phase is GatePhase.QUIET:
            limit = min(split.middle, limit * _STAY)
        phase = GatePhase.QUIET if activity <= limit else GatePhase.BUSY
        return replace(self, phase=phase, reason="", past=past)

    @property
    def busy_activity(self) -> float:
        """Typical activity of the busy phase, in volts; 0 while the phases are not known."""
        split = _split(self.past) if self.past else ""
        return 0.0 if isinstance(split, str) else split.busy


@dataclass(frozen=True, slots=True)
class _Split:
    quiet: float  # typical activities, and the one half-way between on a logarithmic scale
    busy: float
    middle: float


def _split(past: tuple[float, ...]) -> _Split | str:
    """Two groups of activities on a logarithmic scale, or why there are not two."""
    if len(past) < 2 * _LEAST:
        return f"only {len(past)} seen so far; {2 * _LEAST} are needed"
    top = max(past)
    if top == 0.0:
        return "no activity at all so far: the busy phase has not been seen"
    logs = np.sort(np.log(np.maximum(np.array(past), top * _DEPTH)))
    cut = _best_cut(logs)
    quiet, busy = float(np.median(logs[:cut])), float(np.median(logs[cut:]))
    if busy - quiet < math.log(_APART):
        return f"activity varies only from {math.exp(quiet):.3g} to {math.exp(busy):.3g} V: one phase, or two alike"
    third = (busy - quiet) / 3.0
    between = np.count_nonzero((logs > quiet + third) & (logs < busy - third))
    if between > max(1, _BETWEEN * logs.size):
        return f"{between} of {logs.size} lie between quiet and busy: no clear phases"
    return _Split(math.exp(quiet), math.exp(busy), math.exp((quiet + busy) / 2.0))


def _best_cut(logs: np.ndarray) -> int:
    """Where to cut sorted values for the greatest variance between both parts, each of at least `_LEAST`."""
    count = np.arange(1, logs.size)
    sums = np.cumsum(logs)
    gap = sums[:-1] / count - (sums[-1] - sums[:-1]) / (logs.size - count)
    variance = count * (logs.size - count) * gap * gap
    inner = slice(_LEAST - 1, logs.size - _LEAST)
    return int(np.argmax(variance[inner])) + _LEAST


def record_activity(waveform: Waveform) -> float:
    """Peak-to-peak volts of a record; of a clipped one at least the converter's whole range, for it is not quiet."""
    samples = waveform.samples
    seen = abs(float(samples.max()) - float(samples.min())) * abs(waveform.scale)
    if not waveform.clipped or waveform.code_limits is None:
        return seen
    low, high = waveform.code_limits
    return max(seen, (high - low) * abs(waveform.scale))


@dataclass(frozen=True, slots=True)
class ReadingGate:
    """Tells quiet meter readings from busy ones by their neighbours.

    phase   of `judged`, the reading before the newest
    judged  that reading, or None before there is one with two neighbours
    reason  why the phase is UNKNOWN; "" otherwise
    """

    phase: GatePhase = GatePhase.UNKNOWN
    judged: float | None = None
    reason: str = "nothing seen yet"
    _newest: tuple[float, ...] = ()
    _gate: Gate = field(default_factory=lambda: Gate(reach=math.inf))
    _run: tuple[float, ...] = ()  # readings of the present quiet phase
    _levels: tuple[float, ...] = ()  # of the quiet phases before

    def step(self, value: float) -> ReadingGate:
        """The gate after one more reading. Raises SignalError for NaN or infinity."""
        if not math.isfinite(value):
            raise SignalError(
                f"Reading {value!r} is not a number.", next_step="Leave out overloads and invalid readings."
            )
        newest = (*self._newest, value)[-3:]
        if len(newest) < 3:
            return replace(self, _newest=newest, reason="a reading needs one before and one after it")
        before, judged, after = newest
        gate = self._gate.step(max(abs(judged - before), abs(after - judged)))
        return self._judge(judged, newest, gate)

    def _judge(self, judged: float, newest: tuple[float, ...], gate: Gate) -> ReadingGate:
        run, levels = (*self._run, judged)[-_MEMORY:], self._levels
        if gate.phase is not GatePhase.QUIET:
            levels = (*levels, float(np.median(self._run)))[-8:] if len(self._run) >= 2 else levels
            run = ()
        phase, reason = gate.phase, gate.reason
        if phase is GatePhase.QUIET and len(run) < 2:
            phase = GatePhase.BUSY  # the first one after the busy phase may still hold a part of it
        if (
            phase is GatePhase.QUIET
            and (spread := _disagreement((*levels, float(np.median(run))))) > _SAME_LEVEL * gate.busy_activity
        ):
            phase, reason = GatePhase.UNKNOWN, f"steady phases differ by {spread:.3g} V: which of them is quiet?"
        return replace(
            self, phase=phase, judged=judged, reason=reason, _newest=newest, _gate=gate, _run=run, _levels=levels
        )


def _disagreement(levels: tuple[float, ...]) -> float:
    """Largest step from one quiet phase to the next, of the last few; a trimmer moves them all a little."""
    return max((abs(b - a) for a, b in zip(levels[-4:], levels[-3:], strict=False)), default=0.0)
