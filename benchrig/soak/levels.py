"""Is a channel inside its window, its acceptable limits, its ceiling? Row by row, and never on one reading alone.

Rules it keeps:
1. A ceiling is broken by a single reading, and by an overload.
2. Window and acceptable limits are left, and entered again, by `CONFIRM` readings in a row.
3. Reading by reading and in batches it says the same; a batch in which nothing is out costs one comparison.
"""

from __future__ import annotations

import enum
from collections import deque

import numpy as np
from numpy.typing import NDArray

from ..procedure.model import Limits
from .findings import Columns, Floats

CONFIRM = 3


class Level(enum.IntEnum):
    """Where a reading lies."""

    IN = 0
    OUT = 1  # of the window
    FAR_OUT = 2  # of the acceptable limits


def broken(columns: Columns, ceiling: float, *, overload: bool) -> int | None:
    """Place of the first reading above the ceiling, or None. It looks at every number, and at overloads if asked."""
    with np.errstate(invalid="ignore"):
        above = np.abs(columns.values) > ceiling
    if overload:
        above |= columns.overloaded
    return int(above.argmax()) if above.any() else None


def levels(values: Floats, limits: Limits) -> NDArray[np.int8]:
    """The level of each value, shape (n,)."""
    out = _outside(values, limits.window).astype(np.int8)
    return out + (_outside(values, limits.acceptable) & (out > 0))


def _outside(values: Floats, window: tuple[float | None, float | None]) -> NDArray[np.bool_]:
    low, high = window
    out = np.zeros(values.shape, dtype=np.bool_)
    if low is not None:
        out |= values < low
    if high is not None:
        out |= values > high
    return out


class Confirmed:
    """The level on which the last `CONFIRM` readings agree: it rises to their least and falls to their greatest."""

    def __init__(self) -> None:
        self.level = Level.IN
        self._last: deque[int] = deque([0] * CONFIRM, maxlen=CONFIRM)

    def take(self, row: NDArray[np.int8]) -> list[tuple[int, Level]]:
        """Levels of readings in order; (place, new level) wherever the confirmed level changed."""
        if not np.any(row != self.level):
            self._last.extend(row[-CONFIRM:].tolist())
            return []
        changes = []
        for place, level in enumerate(row.tolist()):
            self._last.append(level)
            agreed = max(min(self._last), min(self.level, max(self._last)))
            if agreed != self.level:
                self.level = Level(agreed)
                changes.append((place, self.level))
        return changes
