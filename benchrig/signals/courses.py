"""The mean course of many like edges, and where a curve through a piece of it passes a level.

Rules of this module:

- All edges of one direction are laid over each other by their mid instants, which sit at any place between samples: so
  many edges show their course in finer steps than the sample interval.
- A piece is fitted with one polynomial by least squares. Sums of powers are kept, so that another piece, or another
  order, costs no second pass over the samples.
- A cubic is fitted, and a quartic where that shows; what a quartic would move and does not show is in the doubt.

Places are in edge lengths (amplitude over steepness in the middle) from the mid instant; levels in amplitudes from the
mid level, turned so that every course rises from -0.5 to 0.5.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .states import States
from .waveform import Waveform

_BUDGET = 1 << 13
_ORDER = 3
_TOP = 4
_POWERS = np.arange(_TOP + 1)
_PRODUCTS = np.add.outer(_POWERS, _POWERS)
_SHOWS = 2.5  # standard uncertainties of the highest term
# The place of a level is the error of the curve over its steepness. Where that is doubtful too, the quotient has longer
# tails: by r^2 for a relative doubt r, to second order, and as much again for a piece chosen by the same samples.
_TAILS = 2.0


@dataclass(frozen=True, slots=True)
class Course:
    """Samples around the mid instants of many edges, as sums from the left.

    places  shape (n,), rising
    powers  shape (2 * _TOP + 1, n + 1): sums of places ** k
    levels  shape (_TOP + 1, n + 1): sums of levels * places ** k
    noise   standard deviation of one sample, in amplitudes; correlation counted in
    phases  how many quarters of a sample their offsets fill
    length  of an edge, in samples
    """

    places: NDArray[np.float64]
    powers: NDArray[np.float64]
    levels: NDArray[np.float64]
    noise: float
    phases: int
    length: float

    def mean(self, low: float, high: float) -> tuple[float, int]:
        """Mean level from `low` to `high`, and of how many samples; 0.0 of none."""
        first, last = self.places.searchsorted((low, high))
        count = int(last - first)
        return float(self.levels[0, last] - self.levels[0, first]) / max(count, 1), count


class Crossing(NamedTuple):
    """Where a curve passes a level: place, standard uncertainty, and steepness there (amplitudes per edge length)."""

    place: float
    doubt: float
    steepness: float


def course(
    waveform: Waveform, times: NDArray[np.float64], states: States, length: float, reach: tuple[int, int], rising: bool
) -> Course:
    """The course within `reach` (samples before, samples after) of each of `times`, as far as the record holds it.

    `times` in samples; of many edges some, spread over the record, are taken. `length` of an edge in samples.
    """
    before, after = reach
    times = times[:: max(1, -(-times.size * (before + after + 1) // _BUDGET))]
    centres = np.rint(times).astype(np.int64)
    # Offsets span one sample: with edges in order of them, row after row is in order of place.
    offsets = centres - times
    order = np.argsort(offsets)
    phases = int(np.unique(np.floor(4.0 * offsets + 0.5)).size)
    index = np.arange(-before, after + 1)[:, None] + centres[order]
    places = (index - times[order]) / length
    held = (index >= 0) & (index < len(waveform))
    index, places = index[held], places[held]
    swing = states.amplitude if rising else -states.amplitude
    levels = waveform.samples[index] * (waveform.scale / swing) + (waveform.offset - states.at(0.5)) / swing
    inflation = np.sqrt((1.0 + states.correlation) / (1.0 - states.correlation))
    noise = max(states.noise / states.amplitude, 1e-9) * float(inflation)
    powers = _sums(np.ones_like(places), places, 2 * _TOP)
    return Course(places, powers, _sums(levels, places, _TOP), noise, phases, length)


def _sums(terms: NDArray[np.float64], places: NDArray[np.float64], top: int) -> NDArray[np.float64]:
    """Running sums of terms * places ** k for k up to `top`; shape (top + 1, n + 1)."""
    sums = np.zeros((top + 1, places.size + 1))
    for k in range(top + 1):
        np.cumsum(terms, out=sums[k, 1:])
        terms = terms * places
    return sums


def crossing(seen: Course, level: float, low: float, high: float, near: float) -> Crossing | None:
    """Where the curve through the piece from `low` to `high` passes `level`, by its tangent at `near`.

    None where the piece holds fewer than two samples or the curve does not rise.
    """
    first, last = (int(k) for k in seen.places.searchsorted((low, high)))
    powers, levels = seen.powers[:, last] - seen.powers[:, first], seen.levels[:, last] - seen.levels[:, first]
    # So many places can differ; as many samples at one place tell no more about the shape.
    count = min(last - first, int((high - low) * seen.length * seen.phases) + 1)
    plain, _ = _tangent(seen.noise, powers, levels, level, near, min(_ORDER, count - 2 if count > 3 else count - 1))
    if count < _TOP + 2 or plain is None:
        return plain
    finer, shows = _tangent(seen.noise, powers, levels, level, near, _TOP)
    if finer is None or shows > _SHOWS:
        return finer
    moved = (finer.place - plain.place) ** 2 - max(finer.doubt**2 - plain.doubt**2, 0.0)
    return plain._replace(doubt=float(np.sqrt(plain.doubt**2 + max(moved, 0.0))))


def _tangent(
    noise: float, powers: NDArray[np.float64], levels: NDArray[np.float64], level: float, near: float, order: int
) -> tuple[Crossing | None, float]:
    """The crossing by a curve of this order, and its highest term in standard uncertainties."""
    if order < 1:
        return None, 0.0
    size = order + 1
    # In units of `near` or of a whole edge, so that powers do not part too far.
    scale = near or 1.0
    ladder = scale ** _POWERS[:size]
    normal = powers[_PRODUCTS[:size, :size]] / np.multiply.outer(ladder, ladder)
    inverse = np.linalg.pinv(normal, rcond=1e-13, hermitian=True)
    terms = inverse @ (levels[:size] / ladder)
    at = (near / scale) ** _POWERS[:size]
    rate = _POWERS[:size] * (near / scale) ** np.maximum(_POWERS[:size] - 1, 0) / scale
    steepness = float(rate @ terms)
    if steepness <= 0.0:
        return None, 0.0
    doubt, wobble = (noise * _root(float(each @ inverse @ each)) / steepness for each in (at, rate))
    place = near - (float(at @ terms) - level) / steepness
    shows = abs(float(terms[-1])) / max(noise * _root(float(inverse[-1, -1])), 1e-300)
    return Crossing(place, doubt * (1.0 + _TAILS * wobble * wobble), steepness), shows


def _root(variance: float) -> float:
    return float(np.sqrt(max(variance, 0.0)))  # rounding may take a variance of 0 below it
