"""The mean course of many like edges, and where a curve through a piece of it passes a level.

Rules of this module:

- All edges of one direction are laid over each other by their mid instants, which sit at any place between samples: so
  many edges show their course in finer steps than the sample interval.
- A piece is fitted with one polynomial by least squares.
- A cubic is fitted, and a quartic where that shows; what a quartic would move and does not show is in the uncertainty.

Places are in edge lengths (amplitude over steepness in the middle) from the mid instant; levels in amplitudes from the
mid level, turned so that every course rises from -0.5 to 0.5.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .states import States
from .waveform import Waveform

_BUDGET = 1 << 13
_ORDER = 3
_TOP = 4
_POWERS = np.arange(_TOP + 1.0)
_UNIT = np.eye(_TOP + 1)
_RIDGE = 1e-13  # so that samples at too few places still have an inverse
_SHOWS = 2.5  # standard uncertainties of the highest term
_CHANCE = 2.0  # times the variance that noise alone gives a difference, before it counts as one of the shape
# The place of a level is the error of the curve over its steepness. With a steepness that is doubtful by r, normal, the
# quotient's variance grows by 1 + 3 r^2 to second order, its standard uncertainty by half of that.
_TAILS = 1.5


@dataclass(frozen=True, slots=True)
class Course:
    """Samples around the mid instants of many edges.

    places   shape (n,), rising
    columns  shape (_TOP + 2, n): the powers of the places from 0 on, and last the levels
    noise    standard deviation of one sample, in amplitudes; correlation counted in
    phases   how many quarters of a sample their offsets fill
    length   of an edge, in samples
    """

    places: NDArray[np.float64]
    columns: NDArray[np.float64]
    noise: float
    phases: int
    length: float

    def mean(self, low: float, high: float) -> tuple[float, int]:
        """Mean level from `low` to `high`, and of how many samples; 0.0 of none."""
        first, last = self.places.searchsorted((low, high)).tolist()
        count = last - first
        return float(self.columns[-1, first:last].sum()) / max(count, 1), count


class Crossing(NamedTuple):
    """Where a curve passes a level: place, standard uncertainty, and steepness there (amplitudes per edge length)."""

    place: float
    uncertainty: float
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
    columns = np.empty((_TOP + 2, places.size))
    columns[0] = 1.0
    for k in range(_TOP):
        np.multiply(columns[k], places, out=columns[k + 1])
    columns[-1] = waveform.samples[index] * (waveform.scale / swing) + (waveform.offset - states.at(0.5)) / swing
    inflation = math.sqrt((1.0 + states.correlation) / (1.0 - states.correlation))
    noise = max(states.noise / states.amplitude, 1e-9) * inflation
    return Course(places, columns, noise, phases, length)


def crossing(seen: Course, level: float, low: float, high: float, near: float) -> Crossing | None:
    """Where the curve through the piece from `low` to `high` passes `level`, by its tangent at `near`.

    None where the piece holds fewer than two samples or the curve does not rise.
    """
    first, last = seen.places.searchsorted((low, high)).tolist()
    # So many places can differ; more samples at the same places tell no more about the shape.
    count = min(last - first, int((high - low) * seen.length * seen.phases) + 1)
    order = _TOP if count > _TOP + 1 else min(_ORDER, count - 2 if count > 3 else count - 1)
    if order < 1:
        return None
    curve = _EdgeCurve.through(seen, first, last, order, max(-low, high))
    finer = curve.crosses(level, near)
    if order < _TOP or curve.shows > _SHOWS:
        return finer
    plain = curve.without_highest().crosses(level, near)
    if plain is None or finer is None:
        return plain
    moved = (finer.place - plain.place) ** 2 - _CHANCE * max(finer.uncertainty**2 - plain.uncertainty**2, 0.0)
    return plain._replace(uncertainty=_root(plain.uncertainty**2 + max(moved, 0.0)))


@dataclass(frozen=True, slots=True)
class _EdgeCurve:
    """A polynomial by least squares, in units of `scale` so that its powers do not part too far.

    terms    shape (order + 1,)
    inverse  shape (order + 1, order + 1): of the normal equations, so the covariance of the terms for noise of 1
    """

    terms: NDArray[np.float64]
    inverse: NDArray[np.float64]
    noise: float
    scale: float

    @classmethod
    def through(cls, seen: Course, first: int, last: int, order: int, scale: float) -> _EdgeCurve:
        size = order + 1
        ladder = scale ** -_POWERS[:size]
        piece = seen.columns[:, first:last]
        products = piece @ piece.T
        normal = products[:size, :size] * np.multiply.outer(ladder, ladder)
        inverse = np.linalg.inv(normal + _RIDGE * normal[0, 0] * _UNIT[:size, :size])
        return cls(inverse @ (products[-1, :size] * ladder), inverse, seen.noise, scale)

    @property
    def shows(self) -> float:
        """The highest term in its standard uncertainties."""
        return abs(float(self.terms[-1])) / max(self.noise * _root(float(self.inverse[-1, -1])), 1e-300)

    def without_highest(self) -> _EdgeCurve:
        """The curve of one order less through the same samples: the inverse of a block, from that of the whole."""
        share = self.inverse[:-1, -1] / self.inverse[-1, -1]
        fewer = self.inverse[:-1, :-1] - np.multiply.outer(share, self.inverse[:-1, -1])
        return _EdgeCurve(self.terms[:-1] - share * self.terms[-1], fewer, self.noise, self.scale)

    def crosses(self, level: float, near: float) -> Crossing | None:
        """Where the tangent at `near` passes `level`; None where it does not rise."""
        powers = _POWERS[: self.terms.size]
        at = (near / self.scale) ** powers
        rate = np.append(0.0, powers[1:] * at[:-1]) / self.scale
        steepness = float(rate @ self.terms)
        if steepness <= 0.0:
            return None
        uncertainty, wobble = (self.noise * _root(float(each @ self.inverse @ each)) / steepness for each in (at, rate))
        place = near - (float(at @ self.terms) - level) / steepness
        return Crossing(place, uncertainty * (1.0 + _TAILS * wobble * wobble), steepness)


def _root(variance: float) -> float:
    return math.sqrt(max(variance, 0.0))  # rounding may take a variance of 0 below it
