"""How a row of readings is wrong besides its size: noisy, rippled, drifting, stepping, dipping. Pure.

Rules kept here:
- A class is given only where the row shows it plainly; a row that is too short or looks ordinary has none.
- Shape is judged against the width of the window, so that a meter's last digit is never noise.
- Thresholds are common practice, no source: each is a plain multiple that a person would agree to on seeing the plot.
"""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Sequence

from ..procedure.quantities import Limits, ReadingClass

FEWEST = 5  # readings
DEEP = 0.8  # of the usual value; a dip goes below that
NOTHING = 0.1  # of the window's edge: less than that is absent
SHARE = 0.25  # of the window: what moves less is of no account


def shape_of(values: Sequence[float], limits: Limits) -> ReadingClass | None:
    """The class of a row of values in time order, evenly spaced; None for an ordinary one."""
    if len(values) < FEWEST:
        return None
    largest = max(abs(limits.low or 0.0), abs(limits.high or 0.0))
    if abs(statistics.median(values)) < NOTHING * largest:
        return None  # nothing is there; what is left of it has no shape
    if dips(values):
        return ReadingClass.DIPPING
    enough = SHARE * width_of(limits)
    if max(values) - min(values) <= enough:
        return None
    if steps(values):
        return ReadingClass.STEPPING
    if drifts(values):
        return ReadingClass.DRIFTING
    if ripples(values):
        return ReadingClass.RIPPLED
    return ReadingClass.NOISY if statistics.pstdev(values) > enough else None


def width_of(limits: Limits) -> float:
    """Of the preferred window; of what is between zero and its edge where one side is open."""
    low, high = limits.low, limits.high
    if low is not None and high is not None:
        return high - low
    return abs(low if low is not None else high or 0.0)


def dips(values: Sequence[float]) -> bool:
    """It stands at a level, falls away from it towards zero for less than half of the time, and comes back."""
    level = statistics.median(values)
    low = [abs(value) < DEEP * abs(level) or value * level < 0.0 for value in values]
    between = low[_first(low, False) : len(low) - _first(low[::-1], False)]
    return level != 0.0 and any(between) and sum(low) < len(low) / 2.0


def _first(row: Sequence[bool], wanted: bool) -> int:
    return next((n for n, it in enumerate(row) if it is wanted), len(row))


def steps(values: Sequence[float]) -> bool:
    """Two levels, each held for two readings or more, with a jump between that is far above the scatter in them."""
    middle = (max(values) + min(values)) / 2.0
    upper, lower = [v for v in values if v > middle], [v for v in values if v <= middle]
    if min(len(upper), len(lower)) < 2:
        return False
    scatter = max(statistics.pstdev(upper), statistics.pstdev(lower))
    jump = statistics.fmean(upper) - statistics.fmean(lower)
    changes = sum((a > middle) is not (b > middle) for a, b in itertools.pairwise(values))
    return jump > 8.0 * scatter and changes <= len(values) / 4.0


def drifts(values: Sequence[float]) -> bool:
    """A straight line explains nearly all of it (least squares; r squared above 0.8) over eight readings or more."""
    if len(values) < 8:
        return False
    return statistics.correlation(range(len(values)), values) ** 2 > 0.8


def ripples(values: Sequence[float]) -> bool:
    """It repeats itself: the autocorrelation comes back above 0.6 after having been negative, over three periods."""
    mean = statistics.fmean(values)
    away = [value - mean for value in values]
    power = math.fsum(it * it for it in away)
    been_negative = False
    for lag in range(1, len(values) // 3 + 1):
        pairs = math.fsum(a * b for a, b in zip(away, away[lag:], strict=False))
        likeness = pairs / power * len(values) / (len(values) - lag) if power else 0.0
        if likeness < 0.0:
            been_negative = True
        elif been_negative and likeness > 0.6:
            return True
    return False
