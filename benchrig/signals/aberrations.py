"""What follows an edge: overshoot, undershoot, ringing, and when it has settled.

Rules of this module:

- Edges of one direction are laid over each other first: their mean shows the aberration, the noise shrinks.
- A peak is the top of a parabola through the samples around it. The largest of many noisy samples lies sigma-multiples
  above the truth, so a peak that noise alone could make counts as 0, and the uncertainty says how large one could hide.
- As in IEEE 181 (its text was not read; the terms are in common use): overshoot is above the state that the edge
  leads to, undershoot below it, after either edge. So after a rise the first excursion is overshoot, after a fall it
  is undershoot.
- The region is three transition durations or the whole ringing, whichever is longer.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .instants import windows
from .ringing import Ring, fit_ring
from .states import States
from .tally import StateLevels
from .waveform import Waveform

_BUDGET = 1 << 17
_LONGEST = 1 << 15
_REGION = 3.0  # transition durations
_STANDS_OUT = 4.5  # sigmas of the mean shape
_SEEN = 2.0  # half width of a peak, in samples, that is enough for a parabola
# What is missed of the height, as standard uncertainties: a sine of 4 samples a period may show only 0.71 of its peak,
# one of 9 samples 0.94, one of 20 samples 0.99 through a parabola.
_MISSED, _BLUNT, _ROUNDED = 0.2, 0.03, 0.005


@dataclass(frozen=True, slots=True)
class Aftermath:
    """After the edges of one direction.

    overshoot, undershoot  fractions of the amplitude above and below the state that the edge leads to, >= 0
    ring      the damped sine, or None
    coarse    True if a peak is seen by one sample, so that its top is hidden between them
    energy    integral of (deviation / amplitude)^2 from where the state is reached, in samples; noise subtracted
    """

    overshoot: float
    overshoot_uncertainty: float
    undershoot: float
    undershoot_uncertainty: float
    ring: Ring | None
    energy: float
    energy_uncertainty: float
    coarse: bool = False


@dataclass(frozen=True, slots=True)
class _Mean:
    """Mean course after the edges of one direction.

    volts    shape (n,): volts at the mid instant's sample, one later, ...
    times    instants of the edges it is made of, in samples
    rising   direction
    settled  samples after which only noise is left
    region   samples in which aberrations are looked for
    """

    waveform: Waveform
    volts: NDArray[np.float64]
    times: NDArray[np.float64]
    rising: bool
    settled: int
    region: int


@dataclass(frozen=True, slots=True)
class Aftermaths:
    rise: _Mean
    fall: _Mean

    @property
    def settling(self) -> tuple[float, float]:
        """Samples after a rising and after a falling edge until only noise is left."""
        return float(self.rise.settled), float(self.fall.settled)

    def measured(self, states: States) -> tuple[Aftermath, Aftermath]:
        """The aberrations after rising and after falling edges."""
        return _aftermath(self.rise, states), _aftermath(self.fall, states)


def after_edges(
    waveform: Waveform,
    instants: NDArray[np.float64],
    upward: NDArray[np.bool_],
    levels: StateLevels,
    durations: tuple[float, float],
) -> Aftermaths:
    """Mean courses after both directions. Instants and durations (rising, falling) in samples."""
    following = np.append(instants[1:], float(len(waveform)))
    rise = _mean(waveform, instants[upward], following[upward], durations, rising=True)
    fall = _mean(waveform, instants[~upward], following[~upward], durations[::-1], rising=False)
    return Aftermaths(rise, fall)


def _mean(
    waveform: Waveform,
    times: NDArray[np.float64],
    following: NDArray[np.float64],
    durations: tuple[float, float],
    *,
    rising: bool,
) -> _Mean:
    room = following - times - durations[1] - 1.0
    length = int(np.clip(np.median(room), 2, _LONGEST))
    centres = np.rint(times).astype(np.int64)
    usable = (room >= length) & (centres + length <= len(waveform))
    if not usable.any():
        usable[0] = True
        length = int(min(length, len(waveform) - centres[0]))
    step = max(1, -(-int(usable.sum()) * length // _BUDGET))
    times, centres = times[usable][::step], centres[usable][::step]
    index = centres[:, None] + np.arange(length)[None, :]
    volts = waveform.samples[index].mean(axis=0) * waveform.scale + waveform.offset
    settled = _settled(volts)
    region = min(length, max(int(np.ceil(_REGION * durations[0])) + 2, settled + 2, 8))
    return _Mean(waveform, volts, times, rising, settled, region)


def _settled(volts: NDArray[np.float64]) -> int:
    """Samples until the course stays within the noise of its last third."""
    tail = volts[-max(1, volts.size // 3) :]
    level = float(np.median(tail))
    spread = 1.4826 * float(np.median(np.abs(tail - level)))
    outside = np.flatnonzero(np.abs(volts - level) > max(_STANDS_OUT * spread, 1e-9 * float(np.ptp(volts))))
    return int(outside[-1]) + 1 if outside.size else 0


def _aftermath(mean: _Mean, states: States) -> Aftermath:
    level = (states.high if mean.rising else states.low).level
    sign = 1.0 if mean.rising else -1.0
    course = sign * (mean.volts[: mean.region] - level) / states.amplitude
    reached = int(np.argmax(course >= 0.0)) if (course >= 0.0).any() else course.size
    beyond, first = _peak(mean, states, course, sign, 0)
    back, second = _peak(mean, states, -course, -sign, reached)
    ring = fit_ring(course, first, second) if beyond[0] > 0.0 and back[0] > 0.0 else None
    over, under = (beyond, back) if mean.rising else (back, beyond)
    coarse = any(
        peak[0] > 0.0 and _alone(side, at) for peak, side, at in ((beyond, course, first), (back, -course, second))
    )
    uncertainty = (states.high if mean.rising else states.low).uncertainty / states.amplitude
    return Aftermath(*over, *under, ring, *_energy(course[reached:], _sigma(mean, states), uncertainty), coarse)


def _sigma(mean: _Mean, states: States) -> float:
    """Noise of one sample of the mean course, as a fraction of the amplitude."""
    return float(states.noise / np.sqrt(mean.times.size) / states.amplitude)


def _energy(course: NDArray[np.float64], sigma: float, level: float) -> tuple[float, float]:
    """Sum of squares less that of the noise, and its standard uncertainty.

    sigma is the noise of one sample, level the standard uncertainty of the state that deviations are counted from. The
    variance of a sum of squares (c + noise)^2 is 4 sigma^2 sum c^2 + 2 n sigma^4.
    """
    seen, many = float(course @ course), course.size
    energy = max(0.0, seen - many * sigma * sigma)
    noise = math.sqrt(4.0 * sigma * sigma * energy + 2.0 * many * sigma**4)
    return energy, math.hypot(noise, 2.0 * level * float(course.sum()), many * level * level)


def _peak(
    mean: _Mean, states: States, course: NDArray[np.float64], sign: float, first: int
) -> tuple[tuple[float, float], int]:
    """Height of the highest peak of `course` from `first` on, its uncertainty, and its sample."""
    level = states.high if mean.rising else states.low
    floor = level.uncertainty / states.amplitude
    at = first + int(np.argmax(course[first:])) if first < course.size else first
    if first >= course.size or course[at] <= 1e-9:
        return (0.0, float(np.hypot(_sigma(mean, states), floor))), at
    half = _half_width(course, at)
    if half < _SEEN:  # a parabola would reach down the edge
        height, gain = float(course[at]) * states.amplitude, 1.0 / float(np.sqrt(mean.times.size))
        missed = _MISSED if _alone(course, at) else _BLUNT
    else:
        height, gain = _vertex(mean, at, half, sign, level.level)
        missed = _ROUNDED
    correlation = states.correlation
    error = states.noise * gain * float(np.sqrt((1.0 + correlation) / (1.0 - correlation)))
    trials = max(2.0, (course.size - first) / max(3.0, 2.0 * half))
    hidden = (np.sqrt(2.0 * np.log(trials)) + 2.0) * float(np.hypot(error, level.uncertainty)) / states.amplitude
    height /= states.amplitude
    if height <= max(hidden, 1e-9):
        return (0.0, hidden / 2.0), at
    return (height, float(np.sqrt((error / states.amplitude) ** 2 + floor**2 + (missed * height) ** 2))), at


def _half_width(course: NDArray[np.float64], at: int) -> float:
    """Samples to either side of a peak over which it stays above three quarters of its height."""
    below = course < 0.75 * course[at]
    left = np.flatnonzero(below[:at])
    right = np.flatnonzero(below[at + 1 :])
    reach = min(at - int(left[-1]) - 1 if left.size else at, int(right[0]) if right.size else course.size - at - 1)
    return float(reach) + 0.5


def _alone(course: NDArray[np.float64], at: int) -> bool:
    """Is a peak seen by one sample only: are both neighbours below three quarters of it?"""
    return int(np.count_nonzero(course[max(0, at - 1) : at + 2] >= 0.75 * course[at])) < 2


def _vertex(mean: _Mean, at: int, half: float, sign: float, level: float) -> tuple[float, float]:
    """Top of the parabola through all edges' samples within `half` of the sample `at`, and its noise gain."""
    reach = int(half + 1.0)
    centres = np.rint(mean.times).astype(np.int64)
    inside = (centres + at >= reach) & (centres + at + reach < len(mean.waveform))
    volts = sign * (windows(mean.waveform, centres[inside] + at, reach) - level)
    place = np.arange(-reach, reach + 1.0)[None, :] + (centres - mean.times)[inside, None]
    near = np.abs(place) <= half
    place, volts = place[near] / half, volts[near]
    if place.size < 3 or np.ptp(place) < 1.0:
        return sign * (float(mean.volts[at]) - level), 1.0 / np.sqrt(mean.times.size)
    solver = np.linalg.pinv(np.stack((np.ones_like(place), place, place * place), axis=1))
    constant, slope, bend = (float(c) for c in solver @ volts)
    top = float(np.clip(-slope / (2.0 * bend), -1.0, 1.0)) if bend < 0.0 else 0.0
    return constant + slope * top + bend * top * top, float(np.linalg.norm(solver.T @ [1.0, top, top * top]))
