"""Mid instants from the whole course of like edges, instead of the few samples around the middle of each.

Rules of this module:

- The mean of all edges of one direction, laid over each other, is the shape; least squares against its slope uses all
  of an edge, not only its middle, and tells the places of the edges relative to each other near the Cramer-Rao bound.
- Where the shape itself has its middle is then asked of all edges at once: with their samples at many places between
  the sample instants, a cubic finds it that one edge alone could not carry.
- One or two edges show no shape: each is fitted by itself, plainly and by a cubic, and the two are weighed.
- Edges of few samples are left to `instants`.

Times are in samples.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .courses import Crossing, course, crossing
from .instants import Instants, hidden_in_few, refine, windows
from .states import States
from .waveform import Waveform

_FEWEST = 3
_SAMPLES = 4.2  # on an edge, at least
_BLOCK = 1 << 17
_ROUNDS = 2
_PIECE = 0.33  # edge lengths: a single pole begins 0.347 before its middle


def mid_instants(
    waveform: Waveform,
    rough: NDArray[np.float64],
    spans: NDArray[np.int64],
    slope: float,
    states: States,
    *,
    rising: bool,
) -> Instants:
    """Mid instants of the edges of one direction, from rough ones; arguments as of `refine`."""
    length = states.amplitude / slope if slope > 0.0 else 0.0
    if length >= _SAMPLES and rough.size >= _FEWEST:
        aligned = _align(waveform, rough, states, length, rising=rising)
        if aligned is not None:
            return aligned
    found = refine(waveform, rough, spans, slope, states)
    if length < _SAMPLES or not 0 < rough.size < _FEWEST:
        return found
    return _alone(waveform, found, states, rising=rising)


def _align(
    waveform: Waveform, rough: NDArray[np.float64], states: States, length: float, *, rising: bool
) -> Instants | None:
    """All edges at once; None where one stands too near to an end of the record, or the shape has no middle."""
    reach = int(length) + 2
    times, spread = rough, 0.0
    for _ in range(_ROUNDS):
        if times.min() <= reach + 1.0 or times.max() + reach + 3.0 >= len(waveform):
            return None
        times, spread = _laid_best(waveform, times, states, reach)
    if float(np.abs(times - rough).max()) > length:  # one of them is no edge like the others
        return None
    middle = _middle(waveform, times, states, length, rising=rising)
    if middle is None:
        return None
    # Each edge has its own part of the spread; the rest of the uncertainty about the middle is common to all.
    common = float(np.sqrt(max((middle.uncertainty * length) ** 2 - spread**2 / times.size, 0.0)))
    slope = middle.steepness * states.amplitude / length
    hidden = hidden_in_few(_PIECE * length, states.amplitude / slope)
    return Instants(times + middle.place * length, spread, hidden, common, slope, True)


def _middle(
    waveform: Waveform, times: NDArray[np.float64], states: States, length: float, *, rising: bool
) -> Crossing | None:
    """Where the mean course of edges at `times` passes the mid level; None where it does not within the piece."""
    reach = int(np.ceil(_PIECE * length)) + 3
    found = crossing(course(waveform, times, states, length, (reach, reach), rising), 0.0, -_PIECE, _PIECE, 0.0)
    return found if found is not None and abs(found.place) <= _PIECE else None


def _alone(waveform: Waveform, found: Instants, states: States, *, rising: bool) -> Instants:
    """One or two edges, each by its own course."""
    length = states.amplitude / found.slope if found.slope > 0.0 else 0.0
    each_alone = (found.times[k : k + 1] for k in range(found.times.size))
    middles = [_middle(waveform, one, states, length, rising=rising) for one in each_alone]
    if None in middles:
        return found
    places = np.array([each.place for each in middles if each]) * length
    uncertainty = float(np.mean([each.uncertainty for each in middles if each])) * length
    moved = float(places.mean()) ** 2
    chance = max(uncertainty**2 - found.spread**2, 0.0) / places.size
    # The plain fit is biased or it is not, and only the size of the difference tells: the larger it is against what
    # chance makes of it, the less the plain fit counts.
    plain = chance / (chance + moved) if chance > 0.0 else 0.0
    spread = np.sqrt(plain * found.spread**2 + (1.0 - plain) * uncertainty**2)
    bend = np.sqrt(plain * (1.0 - plain) * moved + plain * found.bend**2)
    return replace(found, times=found.times + (1.0 - plain) * places, spread=float(spread), bend=float(bend))


def _laid_best(
    waveform: Waveform, times: NDArray[np.float64], states: States, reach: int
) -> tuple[NDArray[np.float64], float]:
    """Times moved to where each edge fits the mean shape best, and the standard uncertainty of one of them."""
    rows = max(8, _BLOCK // (2 * reach + 3))
    some = _laid(waveform, times[:: -(-times.size // rows)], reach)
    shape = some.mean(axis=0)
    slope = np.gradient(shape)
    slope[slope * (shape[-1] - shape[0]) < 0.0] = 0.0  # a neighbour of the other direction
    seen = float(slope @ slope)
    # Half a difference of two samples of the mean has half its variance: that much of the steepness is noise.
    energy = max(seen - 0.5 * states.noise**2 / len(some) * np.count_nonzero(slope), 0.5 * seen)
    later = range(0, times.size, rows) if len(some) < times.size else ()
    blocks = [some] if not later else (_laid(waveform, times[k : k + rows], reach) for k in later)
    # einsum, not a matrix product: that would wake other threads, which costs more than it saves.
    late = (np.concatenate([np.einsum("ij,j->i", block, slope) for block in blocks]) - float(shape @ slope)) / energy
    inflation = (1.0 + states.correlation) / (1.0 - states.correlation)
    return times - late, float(states.noise * np.sqrt(seen * inflation) / energy)


def _laid(waveform: Waveform, times: NDArray[np.float64], reach: int) -> NDArray[np.float64]:
    """Volts at whole samples from each instant, by straight lines between samples; shape (m, 2 * reach + 1)."""
    left = np.floor(times).astype(np.int64)
    part = (times - left)[:, None]
    volts = windows(waveform, left, reach + 1)
    return np.asarray(volts[:, 1:-1] * (1.0 - part) + volts[:, 2:] * part)
