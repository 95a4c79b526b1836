"""How bright level lines are, down to what an eye just cannot see: the bars of a wedge, and which one is just visible.

A line's peak is found along all of its length at once, so that one of a part of a code still stands out of the noise.
What is "just visible" is no number of the camera's: at set-up somebody says which bar is just visible, and the peak
that the camera sees there becomes the threshold. Later the bar at that threshold is worked out between the bars.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import SignalError
from .glass import GlassMap
from .measures import Measured
from .strokes import sample

Values = NDArray[np.float64]

CLEAR = 3.0  # times its uncertainty, for a line to be seen at all
_SOUGHT = 7.0  # times, for the brightest bar, because it is looked for in many places and widths
_HALF, _TAPS = 2.4, 33
_STATION = 0.5  # mm
_SIGMAS = tuple(np.geomspace(0.2, 0.9, 24))  # mm


@dataclass(frozen=True, slots=True)
class Wedge:
    """Bars as they should stand: `count` level lines of `length` mm, `pitch` mm apart, the brightest on top."""

    count: int
    pitch: float
    length: float


@dataclass(frozen=True, slots=True)
class Levels:
    """Peak of each bar in codes, from the brightest on, and its standard uncertainty; both of shape (count,)."""

    peaks: Values
    uncertainties: Values


def bar_levels(grey: NDArray[np.uint8] | Values, glass_map: GlassMap, wedge: Wedge) -> Levels:
    """Peaks of the bars in a frame, or in the mean of several. Raises SignalError where no bar is seen."""
    along = np.arange(-wedge.length / 2.0 + 2.0, wedge.length / 2.0 - 2.0, _STATION)
    nominal = np.asarray((np.arange(wedge.count)[::-1] - (wedge.count - 1) / 2.0) * wedge.pitch, np.float64)
    away, width = _place(grey, glass_map, along, nominal)
    peaks, uncertainties = [], []
    for y in nominal + away:
        peak, uncertainty = _peak(_mean_profile(grey, glass_map, along, y), width)
        peaks.append(peak)
        uncertainties.append(uncertainty)
    return Levels(np.array(peaks), np.array(uncertainties))


def anchor(levels: Levels, bar: float) -> float:
    """The threshold in codes that belongs to "bar number `bar` (from 1, the brightest) is just visible"."""
    return math.exp(_log_law(levels)[0](bar))


def faintest_bar(levels: Levels, threshold: float) -> Measured:
    """Which bar, with parts between, is at the threshold; the brightest is number 1.

    Raises SignalError where the camera no longer sees lines as faint as the threshold: then it cannot tell.
    """
    near = float(np.median(levels.uncertainties))
    if threshold < CLEAR * near:
        raise SignalError(
            f"A just visible line has {threshold:.2f} codes here, and noise is {near:.2f}.",
            next_step="Expose longer, average more frames, or send the pictures with less compression.",
        )
    law, spread = _log_law(levels)
    bars = np.linspace(0.0, len(levels.peaks) + 1.0, 2001)
    values = np.array([law(float(bar)) for bar in bars])
    bar = float(np.interp(-math.log(threshold), -values, bars))
    slope = abs(law(bar + 0.5) - law(bar - 0.5))
    return Measured(bar, spread / max(slope, 1e-6), "1", {"noise": spread / max(slope, 1e-6)})


def _log_law(levels: Levels) -> tuple[Callable[[float], float], float]:
    """Logarithm of the peak as a function of the bar's number, through the bars that are clear; and its spread."""
    clear = levels.peaks > CLEAR * levels.uncertainties
    # a gap ends it: beyond a bar that is not seen, one that is would be an accident
    last = int(np.argmin(clear)) if not clear.all() else len(clear)
    if last < 2:
        raise SignalError(
            f"{last} of the wedge's bars {'is' if last == 1 else 'are'} seen; two are needed.",
            next_step="See that the wedge is on the screen and in view; expose longer.",
        )
    logs = np.log(levels.peaks[:last])
    errors = levels.uncertainties[:last] / levels.peaks[:last]

    def law(bar: float) -> float:
        if bar <= last:
            lower = max(1, min(int(bar), last - 1))
            part = bar - lower
            return float(logs[lower - 1] * (1.0 - part) + logs[lower] * part)
        return float(logs[-1] + (bar - last) * (logs[-1] - logs[max(0, last - 3)]) / (last - max(1, last - 2)))

    return law, float(errors[-2:].max())


def _mean_profile(grey: NDArray[np.uint8] | Values, glass_map: GlassMap, along: Values, y: float) -> Values:
    across = y + np.linspace(-_HALF, _HALF, _TAPS)
    spots = np.stack(np.broadcast_arrays(along[:, None], across[None, :]), axis=2)
    codes = sample(grey, glass_map.pixels(spots))
    return np.asarray(np.nanmean(codes, axis=0))


def _place(
    grey: NDArray[np.uint8] | Values, glass_map: GlassMap, along: Values, nominal: Values
) -> tuple[float, float]:
    """How far the bars stand above where they should, mm, and their sigma, from the brightest ones."""
    tries = np.arange(-0.4 * abs(nominal[0] - nominal[1]), 0.4 * abs(nominal[0] - nominal[1]), 0.5)
    heights = [
        sum(_peak(_mean_profile(grey, glass_map, along[::6], y + away), 0.4)[0] for y in nominal[:2]) for away in tries
    ]
    away = float(tries[int(np.argmax(heights))])
    best = (-1.0, away, 0.4)
    for fine in np.arange(away - 0.5, away + 0.51, 0.1):
        profile = _mean_profile(grey, glass_map, along, float(nominal[0] + fine))
        for sigma in _SIGMAS:
            peak, error = _peak(profile, sigma)
            if peak / max(error, 1e-3) > best[0]:
                best = (peak / max(error, 1e-3), float(fine), sigma)
    if best[0] < _SOUGHT:
        raise SignalError(
            "No bar of the wedge is seen.", next_step="See that the wedge is on the screen and in view; expose longer."
        )
    return best[1], best[2]


def _peak(profile: Values, sigma: float) -> tuple[float, float]:
    """Peak of a line in the middle of a mean profile on a level with slope and bend, and its standard uncertainty."""
    at = np.linspace(-_HALF, _HALF, _TAPS)
    terms = np.column_stack([np.exp(-0.5 * (at / sigma) ** 2), np.ones(_TAPS), at, at**2])
    values = np.linalg.lstsq(terms, profile, rcond=None)[0]
    left = profile - terms @ values
    # neighbouring taps share pixels: about half of them are independent
    variance = float(left @ left) / (_TAPS / 2 - 4)
    return float(values[0]), math.sqrt(variance * float(np.linalg.inv(terms.T @ terms)[0, 0]) * 2.0)
