"""Mid instants again, from the whole course of the edges instead of the few samples around the middle of each.

Rules of this module:

- The mean of all edges of one direction, laid over each other, is the shape; least squares against its slope uses all
  of an edge, not only its middle, and tells the places of the edges relative to each other near the Cramer-Rao bound.
- Where the shape itself has its middle is then asked of all edges at once: with their samples at many places between
  the sample instants, a cubic finds it that one edge alone could not carry.
- One or two edges show no shape. Each is fitted by itself, and that fit counts where it contradicts the plainer one.
- Edges of few samples stay as they are.

Times are in samples.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .courses import Crossing, course, crossing
from .instants import Instants, windows
from .states import States
from .waveform import Waveform

_FEWEST = 3
_SAMPLES = 4.0  # on an edge, at least
_BLOCK = 1 << 17
_PIECE = 0.33  # edge lengths: a single pole begins 0.347 before its middle
_CONTRADICTS = 1.5  # standard uncertainties


def align(waveform: Waveform, found: Instants, states: States, *, rising: bool) -> Instants:
    """The instants of one direction again, nearer to the truth where the record allows it."""
    length = states.amplitude / found.slope if found.slope > 0.0 else 0.0
    if length < _SAMPLES or not found.times.size:
        return found
    if found.times.size < _FEWEST:
        return _alone(waveform, found, states, length, rising=rising)
    reach = int(length) + 2
    centres = np.rint(found.times).astype(np.int64)
    if centres.min() <= reach or centres.max() + reach + 1 >= len(waveform):
        return found
    times, spread = _laid_best(waveform, found.times, states, reach)
    if not spread < found.spread:
        return found
    middle = _middle(waveform, times, states, length, rising=rising)
    if middle is None:
        return found
    # Each edge has its own part of the spread; the rest of the doubt about the middle is common to all.
    common = float(np.sqrt(max((middle.doubt * length) ** 2 - spread**2 / times.size, 0.0)))
    return replace(found, times=times + middle.place * length, spread=spread, bend=common)


def _middle(
    waveform: Waveform, times: NDArray[np.float64], states: States, length: float, *, rising: bool
) -> Crossing | None:
    """Where the mean course of edges at `times` passes the mid level."""
    reach = int(np.ceil(_PIECE * length)) + 3
    return crossing(course(waveform, times, states, length, (reach, reach), rising), 0.0, -_PIECE, _PIECE, 0.0)


def _alone(waveform: Waveform, found: Instants, states: States, length: float, *, rising: bool) -> Instants:
    """One or two edges, each by its own course."""
    each_alone = (found.times[k : k + 1] for k in range(found.times.size))
    middles = [_middle(waveform, one, states, length, rising=rising) for one in each_alone]
    if None in middles:
        return found
    places = np.array([each.place for each in middles if each]) * length
    doubt = float(np.mean([each.doubt for each in middles if each])) * length
    moved = float(places.mean()) ** 2
    chance = max(doubt**2 - found.spread**2, 0.0) / places.size
    if moved > _CONTRADICTS**2 * chance:
        return replace(found, times=found.times + places, spread=doubt, bend=0.0)
    return replace(found, bend=float(np.sqrt(found.bend**2 + max(moved - chance, 0.0))))


def _laid_best(
    waveform: Waveform, times: NDArray[np.float64], states: States, reach: int
) -> tuple[NDArray[np.float64], float]:
    """Times moved to where each edge fits the mean shape best, and the standard uncertainty of one of them."""
    rows = max(8, _BLOCK // (2 * reach + 3))
    some = times[:: -(-times.size // rows)]
    shape = _laid(waveform, some, reach).mean(axis=0)
    slope = np.gradient(shape)
    slope[slope * (shape[-1] - shape[0]) < 0.0] = 0.0  # a neighbour of the other direction
    seen = float(slope @ slope)
    # Half a difference of two samples of the mean has half its variance: that much of the steepness is noise.
    energy = max(seen - 0.5 * states.noise**2 / some.size * np.count_nonzero(slope), 0.5 * seen)
    late = np.concatenate(
        [(_laid(waveform, times[k : k + rows], reach) - shape) @ slope / energy for k in range(0, times.size, rows)]
    )
    inflation = (1.0 + states.correlation) / (1.0 - states.correlation)
    return times - late, float(states.noise * np.sqrt(seen * inflation) / energy)


def _laid(waveform: Waveform, times: NDArray[np.float64], reach: int) -> NDArray[np.float64]:
    """Volts at whole samples from each instant, by straight lines between samples; shape (m, 2 * reach + 1)."""
    left = np.floor(times).astype(np.int64)
    part = (times - left)[:, None]
    volts = windows(waveform, left, reach + 1)
    return np.asarray(volts[:, 1:-1] * (1.0 - part) + volts[:, 2:] * part)
