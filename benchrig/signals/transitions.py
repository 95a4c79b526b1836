"""Where a record goes from one state to the other.

Rules of this module:

- A transition has left one state (10 % of the amplitude) and arrived in the other (90 %). A runt that turns back
  before it arrives is none, and noise that crosses the mid level many times within one transition makes one.
- Samples are compared as they are, in blocks; the levels are turned into codes once, not the codes into volts.
- A visit to a state that lasts one or two samples among visits that last long is a glitch; it is left out and counted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .tally import StateLevels
from .waveform import Waveform

_SCAN = 1 << 18
_LEFT, _ARRIVED = 0.1, 0.9
_GLITCH_SAMPLES = 2
_GLITCH_SHARE = 0.1


@dataclass(frozen=True, slots=True)
class Transitions:
    """Transitions in order of time; rising and falling ones alternate.

    last    shape (n,): index of the last sample in the state that is left
    first   shape (n,): index of the first sample in the state that is reached
    rising  True if the first transition goes up
    glitches  how many visits were left out
    """

    last: NDArray[np.int64]
    first: NDArray[np.int64]
    rising: bool
    glitches: int = 0

    def __len__(self) -> int:
        return int(self.last.size)

    def upward(self) -> NDArray[np.bool_]:
        """Shape (n,): True where a transition goes up."""
        return np.asarray((np.arange(len(self)) % 2 == 0) == self.rising)


def find_transitions(waveform: Waveform, levels: StateLevels) -> Transitions:
    """All transitions of a record between two levels."""
    high = runs(waveform, levels.at(_ARRIVED), above=True)
    low = runs(waveform, levels.at(_LEFT), above=False)
    starts = np.concatenate((low[0], high[0]))
    ends = np.concatenate((low[1], high[1]))
    is_high = np.arange(starts.size) >= low[0].size
    order = np.argsort(starts, kind="stable")
    return _without_glitches(*_visits(starts[order], ends[order], is_high[order]))


Visits = tuple[NDArray[np.int64], NDArray[np.int64], bool]


def _visits(starts: NDArray[np.int64], ends: NDArray[np.int64], is_high: NDArray[np.bool_]) -> Visits:
    """Join neighbouring runs of the same state: first and last sample of each visit, and the first visit's state."""
    if not starts.size:
        return starts, ends, False
    change = np.flatnonzero(is_high[1:] != is_high[:-1]) + 1
    first = starts[np.concatenate(([0], change))]
    last = ends[np.concatenate((change - 1, [ends.size - 1]))]
    return first, last, bool(is_high[0])


def _without_glitches(first: NDArray[np.int64], last: NDArray[np.int64], first_high: bool) -> Transitions:
    count = first.size
    held = last - first + 1
    is_high = (np.arange(count) % 2 == 0) == first_high
    glitch = np.zeros(count, dtype=np.bool_)
    whole = np.zeros(count, dtype=np.bool_)
    whole[1:-1] = True  # what the record cuts off at its ends may be short
    for state in (is_high & whole, ~is_high & whole):
        if state.any():
            usual = float(np.median(held[state]))
            glitch |= state & (held <= _GLITCH_SAMPLES) & (held < _GLITCH_SHARE * usual)
    if glitch.any():
        kept = ~glitch
        first, last, first_high = _visits(first[kept], last[kept], is_high[kept])
    return Transitions(last[:-1], first[1:], not first_high, int(glitch.sum()))


def runs(waveform: Waveform, level: float, *, above: bool) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First and last index of each run of samples at or above (or below) a level in volts."""
    samples, up, limit = waveform.samples, above == (waveform.scale > 0.0), _in_samples(waveform, level, above)
    changes: list[NDArray[np.int64]] = []
    previous = False
    for begin in range(0, samples.size, _SCAN):
        block = samples[begin : begin + _SCAN]
        inside = block >= limit if up else block <= limit
        if bool(inside[0]) != previous:
            changes.append(np.array([begin], dtype=np.int64))
        changes.append(np.flatnonzero(inside[1:] != inside[:-1]) + (begin + 1))
        previous = bool(inside[-1])
    if previous:
        changes.append(np.array([samples.size], dtype=np.int64))
    edges = np.concatenate(changes) if changes else np.empty(0, dtype=np.int64)
    return edges[0::2], edges[1::2] - 1


def _in_samples(waveform: Waveform, level: float, above: bool) -> Any:
    """A level in volts as the sample value to compare with: an integer where samples are codes."""
    value = (level - waveform.offset) / waveform.scale
    if waveform.codes is None:
        return value
    return math.ceil(value) if above == (waveform.scale > 0.0) else math.floor(value)
