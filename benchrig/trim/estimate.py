"""What the readings say about the trimmer: noise, slope, whether anything moved. Pure numbers, no cues.

Noise is measured from second differences, which a steady turn or a slow drift leaves alone; those far above their
median are cut to three times it, so that one jump does not count. Nothing here extrapolates: a value shown is a value
measured.
"""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Sequence

from ..readings import Flag, Reading
from .types import Goal

ENOUGH = 6  # readings of a hold whose noise is more than a `COARSE`th of the window
COARSE = 8.0
CLEARLY = 1.5
KEPT = 30  # second differences remembered
_SECOND_DIFFERENCE = math.sqrt(6.0)  # its standard deviation for unit white noise: sqrt(1 + 4 + 1)
# Cut at three medians = 2.02 standard deviations, a normal spread seems smaller by sqrt(E min(z^2, 2.02^2)) = 0.962.
_CUT = 0.962
# Neighbouring second differences share readings (correlations -2/3 and 1/6): n of them are worth n / 1.94 free ones.
# Student's 99.9 % point with f of those is about 3.09 (1 + 2.64 / f + 6.37 / f^2 + 11.7 / f^3) (Cornish and Fisher).
WORTH = 1.94


def value_of(reading: Reading) -> float:
    """The number of a reading that counts; only such readings are kept."""
    if reading.value is None:
        raise ValueError("A reading without a number was kept.")
    return reading.value


def counts(reading: Reading, goal: Goal, now: float) -> bool:
    """True if the reading may move a cue: usable, finite, in the goal's unit, not from the future, not stale."""
    number = reading.usable and reading.unit == goal.unit and math.isfinite(value_of(reading))
    return number and fresh(reading, goal, now)


def above(ceiling: float | None, unit: str, reading: Reading) -> bool:
    """True for a number in `unit` above the ceiling, whatever its flags, and for an overload where there is one."""
    if ceiling is None or reading.unit != unit:
        return False
    return bool(reading.flags & Flag.OVERLOAD) or (reading.value is not None and abs(reading.value) > ceiling)


def shown_above(reading: Reading) -> float | None:
    """The number of a reading above the ceiling; None for an overload, whose number means nothing."""
    return None if reading.flags & Flag.OVERLOAD else reading.value


def fresh(reading: Reading | None, goal: Goal, now: float) -> bool:
    """True if there is a reading and it is young enough to be the present value."""
    return reading is not None and 0.0 <= reading.age(now) <= goal.stale_after


def seen_at(reading: Reading, goal: Goal) -> float:
    """The moment whose value the reading shows: half its aperture and the settling before its end."""
    return reading.time - reading.aperture / 2.0 - goal.settle / 2.0


def second_difference(readings: Sequence[Reading]) -> float | None:
    """|a - 2b + c| of the newest three readings; None for fewer."""
    if len(readings) < 3:
        return None
    a, b, c = (value_of(r) for r in readings[-3:])
    return abs(a - 2.0 * b + c)


def first_difference(readings: Sequence[Reading]) -> float | None:
    """|a - b| of the newest two readings, scaled to spread like a second difference; None for fewer."""
    if len(readings) < 2:
        return None
    return abs(value_of(readings[-1]) - value_of(readings[-2])) * math.sqrt(3.0)


def noise(differences: Sequence[float], resolution: float, assumed: float, seen: float = 0.0) -> float:
    """Standard deviation of one reading with the hands off, in the unit of the goal.

    `assumed` is what it was thought to be before, from `seen` degrees of freedom; as a guess (0) it counts while there
    are fewer than three second differences. Never less than what the display's step can hide (a uniform step of
    `resolution`: resolution / sqrt 12).
    """
    floor = resolution / math.sqrt(12.0)
    if not differences:
        return max(floor, assumed)
    limit = 3.0 * statistics.median(differences) if len(differences) >= 5 else math.inf
    squares = math.fsum(min(d, limit) ** 2 for d in differences) / len(differences)
    found = math.sqrt(squares) / _SECOND_DIFFERENCE / (_CUT if math.isfinite(limit) else 1.0)
    if seen > 0.0:
        free = len(differences) / WORTH
        return max(floor, math.sqrt((found**2 * free + assumed**2 * seen) / (free + seen)))
    return max(floor, found, assumed if len(differences) < 3 else 0.0)


def slope(readings: Sequence[Reading]) -> float | None:
    """Least-squares slope in units per second; None for fewer than two readings."""
    if len(readings) < 2:
        return None
    mean_time = statistics.fmean(r.time for r in readings)
    mean_value = statistics.fmean(value_of(r) for r in readings)
    spread = math.fsum((r.time - mean_time) ** 2 for r in readings)
    if spread <= 0.0:
        return None
    return math.fsum((r.time - mean_time) * (value_of(r) - mean_value) for r in readings) / spread


def steady(readings: Sequence[Reading], sigma: float, step: float, window: float) -> bool:
    """True if the readings show no movement beyond their noise.

    No step between neighbours and no trend over all of them larger than noise, two counts of the display (`step`)
    and a twentieth of the `window` would make. For n even readings with noise sigma the fitted rise over the whole
    has a standard deviation of sigma * sqrt(12 / n).
    """
    slack = 2.0 * step + window / 20.0
    if leaps(readings, sigma, step, window):
        return False
    rise = (slope(readings) or 0.0) * (readings[-1].time - readings[0].time)
    return abs(rise) <= 4.0 * sigma * math.sqrt(12.0 / len(readings)) + slack


def rests(row: Sequence[Reading], sigma: float, step: float, window: float, seconds: float) -> bool:
    """True if the newest readings, over `seconds` at least, show that the hand has let go: their halves agree.

    Closer than `steady`, which asks whether what stands could be accepted: a hand may come to rest slowly.
    """
    newest = [it for it in row if it.time >= row[-1].time - seconds - 1e-9]
    newest = list(row[-2:]) if len(newest) < 2 else newest
    if len(newest) < 2 or newest[-1].time - newest[0].time < seconds - 1e-9:
        return False
    half = len(newest) // 2
    first = math.fsum(value_of(it) for it in newest[:half]) / half
    second = math.fsum(value_of(it) for it in newest[-half:]) / half
    return abs(second - first) <= max(1.5 * sigma * math.sqrt(2.0 / half), 1.5 * step, window / 10.0)


def leaps(readings: Sequence[Reading], sigma: float, step: float, window: float) -> bool:
    """True if one of the readings is farther from the one before it than `steady` lets pass."""
    most = 6.0 * sigma + 2.0 * step + window / 20.0
    return any(abs(value_of(b) - value_of(a)) > most for a, b in itertools.pairwise(readings))


def widened(sigma: float, free: float) -> float:
    """`sigma` made wider by as much as its few degrees of freedom demand, for bounds of three deviations."""
    f = max(1.0, free)
    return sigma * (1.0 + 2.64 / f + 6.37 / f**2 + 11.7 / f**3)


def surely_inside(readings: Sequence[Reading], sigma: float, free: float, goal: Goal) -> bool:
    """True if the mean of the readings lies inside the window by three of its standard deviations.

    Widened while sigma rests on few degrees of freedom (`free`), as Student's factor does; the readings' own scatter
    counts where it is clearly greater than sigma.
    """
    values = [value_of(r) for r in readings]
    mean = math.fsum(values) / len(values)
    scatter = statistics.stdev(values) if len(values) > 1 else 0.0
    deviation = scatter if scatter > CLEARLY * sigma or len(values) >= 2 * ENOUGH else sigma
    deviation = max(deviation, sigma)
    if len(values) < ENOUGH and deviation > (goal.high - goal.low) / COARSE:
        return False
    guard = 3.0 * widened(deviation, free) / math.sqrt(len(values))
    return goal.low + guard <= mean <= goal.high - guard
