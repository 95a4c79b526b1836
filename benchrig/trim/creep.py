"""Does a reading that seems to stand still move? A line through all readings since it came to rest. Pure.

Over a second or two a slow creep hides in the noise, so one that may be there is looked at longer, hands off, and one
that shows no sign is not: nobody waits without need.

Rules it keeps:
- Only a creep matters that, at the rate seen, leaves the window before anybody looks again (`AGAIN`).
- It is suspected at a slope that noise alone makes in about 1 of 7 looks, if the newer half of the look goes the same
  way; and then the look goes on. Noise, a slow beat and the wander of 1/f noise turn within `PATIENCE` and end the
  suspicion.
- It is claimed only if it was suspected all that time, and then stands far beyond the noise, over two counts of the
  display, and in the newer half of the look by itself, whose rate is the one that is told.

How rare false alarms are, and what is found: `benchmarks/trim_creep.py`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from ..readings import Reading
from .estimate import value_of
from .types import Creep

AGAIN = 600.0  # s, about the time until a setting is looked at again, at the end of a job at the latest
PATIENCE = 20.0  # s that a suspected creep is given to come to rest
LEAST = 3  # readings that a slope and a spread can be taken from: a slow meter has no more in a hold
SUSPECTED = 1.5  # standard uncertainties of a slope
SURE = 4.0
SURE_OF_HALF = 2.0
_NEWEST = 4  # the last quarter of a look says where the value is now


@dataclass(frozen=True, slots=True)
class _Line:
    """slope, and its standard uncertainty for independent residuals; `free` degrees of freedom."""

    slope: float
    uncertainty: float
    free: int

    def beyond(self, sigmas: float) -> bool:
        """The slope is not 0 by so many standard uncertainties, few readings allowed for.

        Student's point is about z (1 + (z^2 + 1) / 4f) for f degrees of freedom (Cornish and Fisher's first term).
        """
        return abs(self.slope) > sigmas * (1.0 + (sigmas**2 + 1.0) / (4.0 * self.free)) * self.uncertainty


def suspected(row: Sequence[Reading], low: float, high: float) -> Creep | None:
    """What the readings since the hands came to rest may be doing, if it matters; None where nothing speaks for it.

    `low`, `high`: the window, infinite on a side that is open.
    """
    found = _leaving(row, row, low, high, SUSPECTED)
    newer = row[len(row) // 2 :]
    # Of two looks with a long time between them the newer alone says nothing yet.
    tells = len(newer) >= LEAST and newer[-1].time - newer[0].time > (row[-1].time - row[0].time) / 4.0
    return found if found is None or not tells or _line(newer).slope * found.rate > 0.0 else None


def creeping(row: Sequence[Reading], low: float, high: float) -> Creep | None:
    """A creep that is suspected and sure. For a look of `PATIENCE` seconds that was long because it was suspected."""
    newer = row[len(row) // 2 :]
    found = _leaving(row, newer, low, high, SURE_OF_HALF)
    if found is None or suspected(row, low, high) is None:
        return None
    whole = _line(row)
    rise = whole.slope * (row[-1].time - row[0].time)
    sure = whole.beyond(SURE) and abs(rise) > 2.0 * _count(row) and whole.slope * found.rate > 0.0
    return found if sure else None


def waited(row: Sequence[Reading], hold: float = 0.0) -> bool:
    """It has been given its time, beyond the `hold` that was asked for anyway."""
    return bool(row) and row[-1].time - row[0].time >= hold + PATIENCE


def _leaving(row: Sequence[Reading], part: Sequence[Reading], low: float, high: float, sigmas: float) -> Creep | None:
    """The movement of `part` of a look, where it is beyond noise and leads out of the window in time."""
    if len(part) < LEAST or part[-1].time <= part[0].time:
        return None
    line = _line(part)
    newest = row[-max(1, len(row) // _NEWEST) :]
    here = math.fsum(value_of(it) for it in newest) / len(newest)
    left = high - here if line.slope > 0.0 else here - low
    if not low <= here <= high or not line.beyond(sigmas) or left > AGAIN * abs(line.slope):
        return None
    return Creep(line.slope, line.uncertainty, left / abs(line.slope), part[-1].time - part[0].time)


def _line(row: Sequence[Reading]) -> _Line:
    """Least squares. No residual is taken for smaller than a count of the display can hide (count / sqrt 12)."""
    n = len(row)
    time = math.fsum(it.time for it in row) / n
    value = math.fsum(value_of(it) for it in row) / n
    spread = math.fsum((it.time - time) ** 2 for it in row)
    slope = math.fsum((it.time - time) * (value_of(it) - value) for it in row) / spread
    squares = math.fsum((value_of(it) - value - slope * (it.time - time)) ** 2 for it in row)
    scatter = max(math.sqrt(squares / (n - 2)), _count(row) / math.sqrt(12.0), 4.0 * math.ulp(value))
    return _Line(slope, scatter / math.sqrt(spread), n - 2)


def _count(row: Sequence[Reading]) -> float:
    return max(it.resolution or 0.0 for it in row)
