"""What a row of pulses hides from its edges: runts, pulses that are missing, states that move.

A runt is a pulse that leaves its state and does not reach the other one (IEEE 181, not read). It has no
mid instant, so that two periods around it would pass for one long one. Here every stay beyond 30 % of the amplitude
that holds no mid instant is one, if it lasts as long as 15 % of the usual pulse: ringing and glitches are shorter.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .levels import noise_of
from .states import States
from .timing import Edges
from .transitions import runs
from .waveform import Waveform

_LEAVES = 0.3  # of the amplitude
_LASTS = 0.15  # of the usual time in that state
_LEAST = 4  # samples
_MOVES = 0.04  # of the amplitude, standard deviation of a state from visit to visit
_VISITS = 4
_EVERY = 64  # visits looked at, at most
_WHOLE = 0.15  # of a period by which a multiple of it may be off


def count_runts(waveform: Waveform, states: States, edges: Edges) -> int:
    """Pulses that leave either state for a while and do not reach the other."""
    gaps = np.diff(edges.instants)
    found = 0
    for above, fraction in ((True, _LEAVES), (False, 1.0 - _LEAVES)):
        usual = gaps[edges.upward[:-1] == above]
        if not usual.size:
            continue
        first, last = runs(waveform, states.at(fraction), above=above)
        lasting = last - first + 1 >= max(_LEAST, _LASTS * float(np.median(usual)))
        into = edges.instants[edges.upward == above]
        out = edges.instants[edges.upward != above]
        empty = (_within(into, first, last) == 0) & (_within(out, first, last) == 0)
        whole = (first > 0) & (last < len(waveform) - 1)
        found += int((lasting & empty & whole).sum())
    return found


def _within(instants: NDArray[np.float64], first: NDArray[np.int64], last: NDArray[np.int64]) -> NDArray[np.int64]:
    """How many instants each run holds, its neighbouring samples included."""
    ends = np.searchsorted(instants, last + 1, side="right")
    return np.asarray(ends - np.searchsorted(instants, first - 1, side="left"), dtype=np.int64)


def misses_pulses(edges: Edges) -> bool:
    """One of the intervals between edges of a kind is a whole multiple of the usual one: a pulse is missing there."""
    for kind in (edges.upward, ~edges.upward):
        periods = np.diff(edges.instants[kind])
        if periods.size < 2:
            continue
        times = periods / float(np.percentile(periods, 25))
        if ((times > 1.5) & (np.abs(times - np.rint(times)) < _WHOLE)).any():
            return True
    return False


def states_move(waveform: Waveform, states: States, edges: Edges) -> bool:
    """A state is elsewhere from visit to visit, by more than 4 % of the amplitude: hum, or a baseline that moves."""
    instants = edges.instants
    for above in (True, False):
        starts = np.flatnonzero(edges.upward[:-1] == above)
        if starts.size < _VISITS:
            continue
        starts = starts[:: max(1, starts.size // _EVERY)]
        middles = []
        for start in starts:
            begin, end = instants[start], instants[start + 1]
            left, right = int(begin + 0.4 * (end - begin)), int(begin + 0.8 * (end - begin)) + 1
            middles.append(float(np.median(waveform.samples[left:right])) * abs(waveform.scale))
        if float(np.std(middles)) > max(_MOVES * states.amplitude, 6.0 * noise_of(waveform)):
            return True
    return False
