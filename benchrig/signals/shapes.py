"""The mean shape of a record's edges, and how long they take from 10 % to 90 %.

Rules of this module:

- All edges of one direction are laid over each other by their mid instants, which sit at any place between samples: so
  many edges show the shape in finer steps than the sample interval.
- An instant at a reference level is where a low-order curve through the samples around it passes the level, not where a
  noisy sample first or last did.
- An edge of fewer than two samples has no duration that can be measured: what is given is flagged by who asked.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import polynomial
from numpy.typing import NDArray

from .instants import Instants, windows
from .states import States
from .waveform import Waveform

_BUDGET = 1 << 14
_REACH = 0.08  # half the fitted window at 10 and 90 %, in edge lengths A / slope: a ramp has 0.1 to its corner
_HIDDEN = 0.3


@dataclass(frozen=True, slots=True)
class Cloud:
    """Samples around the mid instants of many edges.

    place  shape (n,): samples from the mid instant, rising
    volts  shape (n,)
    edges  over how many edges
    """

    place: NDArray[np.float64]
    volts: NDArray[np.float64]
    edges: int


def cloud(waveform: Waveform, times: NDArray[np.float64], half: int) -> Cloud:
    """Samples within `half` of each instant, of edges spread over the record."""
    centres = np.rint(times).astype(np.int64)
    inside = (centres >= half) & (centres < len(waveform) - half)
    times, centres = times[inside], centres[inside]
    step = max(1, -(-times.size * (2 * half + 1) // _BUDGET))
    times, centres = times[::step], centres[::step]
    if not times.size:
        return Cloud(np.empty(0), np.empty(0), 0)
    # Offsets span one sample: with edges in order of them, column after column is in order of place.
    order = np.argsort(centres - times)
    volts = windows(waveform, centres[order], half)
    place = np.arange(-half, half + 1.0)[:, None] + (centres - times)[order][None, :]
    return Cloud(place.ravel(), volts.T.ravel(), int(times.size))


def transition_time(waveform: Waveform, instants: Instants, states: States, *, rising: bool) -> tuple[float, float]:
    """Samples from 10 % to 90 % (falling: 90 % to 10 %) and the standard uncertainty."""
    length = states.amplitude / instants.slope
    around = cloud(waveform, instants.times, int(np.ceil(1.6 * length)) + 2)
    if not around.edges:
        return 0.8 * length, 0.4 * length
    lower = _instant(around, states.at(0.1 if rising else 0.9), -0.4 * length, length, states, rising)
    upper = _instant(around, states.at(0.9 if rising else 0.1), +0.4 * length, length, states, rising)
    fast = 0.4 if not instants.resolved else 0.0
    # An error of either state moves both reference levels.
    tilt = float(np.hypot(states.low.uncertainty, states.high.uncertainty)) / instants.slope
    return upper[0] - lower[0], float(np.sqrt(upper[1] ** 2 + lower[1] ** 2 + tilt**2 + fast**2))


def _instant(
    around: Cloud, level: float, start: float, length: float, states: States, rising: bool
) -> tuple[float, float]:
    """Where the mean edge passes `level`, and the standard uncertainty, in samples from the mid instant."""
    half = max(_REACH * length, 1.0)
    place = _rough(around, level, start, length, rising)
    fitted = place
    error = 0.5
    for _ in range(6):
        fitted, error = _local(around, level, place, half, states)
        fitted = float(np.clip(fitted, place - half, place + half))
        if abs(fitted - place) < 1e-3:
            break
        place = fitted
    return fitted, error


def _rough(around: Cloud, level: float, start: float, length: float, rising: bool) -> float:
    """The crossing of the mean shape nearest to the middle of the edge, on a grid of samples."""
    bins = np.rint(around.place).astype(np.int64)
    bins -= bins[0]
    count = np.bincount(bins)
    mean = np.bincount(bins, around.volts) / np.maximum(count, 1)
    place = np.bincount(bins, around.place) / np.maximum(count, 1)
    past = (mean >= level) == rising
    middle = int(np.searchsorted(place, 0.0))
    if start < 0.0:
        before = np.flatnonzero(~past[:middle])
        left = int(before[-1]) if before.size else 0
    else:
        after = np.flatnonzero(past[middle:])
        left = middle + int(after[0]) - 1 if after.size else place.size - 2
    left = min(max(left, 0), place.size - 2)
    gap = mean[left + 1] - mean[left]
    share = (level - mean[left]) / gap if gap else 0.5
    return float(place[left] + np.clip(share, 0.0, 1.0) * (place[left + 1] - place[left]))


def _local(around: Cloud, level: float, centre: float, half: float, states: States) -> tuple[float, float]:
    near = slice(*np.searchsorted(around.place, [centre - half, centre + half]))
    place, volts = around.place[near] - centre, around.volts[near]
    if place.size < 2 or np.ptp(place) == 0.0:
        return centre, half / 2.0
    order = 2 if place.size >= 5 else 1
    basis = polynomial.polyvander(place / half, order)
    solver = np.linalg.pinv(basis)
    fit = solver @ volts
    slope = fit[1] / half
    if slope == 0.0:
        return centre, half / 2.0
    noise = states.noise * float(np.linalg.norm(solver[0])) / abs(slope)
    # What the shape may hide: a corner bends a parabola by as much as the parabola bends.
    bend = _HIDDEN * float(abs(fit[2])) / abs(slope) if order == 2 else 0.0
    return float(centre + _root(fit, level) * half), float(np.hypot(noise, bend))


def _root(fit: NDArray[np.float64], level: float) -> float:
    """The place in -1..1 where a line or parabola passes `level`, by Newton's method from the middle."""
    place = 0.0
    rate = polynomial.polyder(fit)
    for _ in range(6):
        steep = float(polynomial.polyval(place, rate))
        if steep == 0.0:
            break
        place = float(np.clip(place - (float(polynomial.polyval(place, fit)) - level) / steep, -1.0, 1.0))
    return place
