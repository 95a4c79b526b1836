"""Is a channel inside its window, its acceptable limits, its ceiling? Row by row, and never on one reading alone.

Rules it keeps:
1. A ceiling is broken by a single reading, and by an overload in a range that was chosen.
2. Window and acceptable limits are left, and entered again, by `CONFIRM` readings in a row.
3. Reading by reading and in batches it says the same; a batch in which nothing is out costs one comparison.
"""

from __future__ import annotations

import enum
from collections import deque

import numpy as np
from numpy.typing import NDArray

from ..procedure.quantities import Limits
from .findings import Columns, Floats

CONFIRM = 3


class ReadingBand(enum.IntEnum):
    """Where a reading lies."""

    IN = 0
    OUT = 1  # of the window
    FAR_OUT = 2  # of the acceptable limits


class Ceiling:
    """Finds the first reading above a limit. It looks at every number, and at overloads where `overload` says so.

    A meter that chooses its own range shows an overload while it goes to the next one: there `CONFIRM` in a row count.
    """

    def __init__(self, limit: float, *, overload: bool) -> None:
        self.limit = limit
        self._overload = overload
        self._run = 0  # overloads of an autoranging meter, in a row

    def broken(self, columns: Columns) -> int | None:
        """Place of the first reading above; None if there is none."""
        with np.errstate(invalid="ignore"):
            above = np.abs(columns.values) > self.limit
        over = columns.overloaded
        if self._overload and (self._run or over.any()):
            above |= over & ~columns.autoranging
            above |= self._in_a_row(over & columns.autoranging)
        return int(above.argmax()) if above.any() else None

    def _in_a_row(self, hopping: NDArray[np.bool_]) -> NDArray[np.bool_]:
        out = np.zeros(hopping.shape, dtype=np.bool_)
        for place, it in enumerate(hopping.tolist()):
            self._run = self._run + 1 if it else 0
            out[place] = self._run >= CONFIRM
        return out


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


class ConfirmedLevel:
    """The level on which the last `CONFIRM` readings agree: it rises to their least and falls to their greatest."""

    def __init__(self) -> None:
        self.level = ReadingBand.IN
        self._last: deque[int] = deque([0] * CONFIRM, maxlen=CONFIRM)

    def take(self, row: NDArray[np.int8]) -> list[tuple[int, ReadingBand]]:
        """Levels of readings in order; (place, new level) wherever the confirmed level changed."""
        if not np.any(row != self.level):
            self._last.extend(row[-CONFIRM:].tolist())
            return []
        changes = []
        for place, level in enumerate(row.tolist()):
            self._last.append(level)
            agreed = max(min(self._last), min(self.level, max(self._last)))
            if agreed != self.level:
                self.level = ReadingBand(agreed)
                changes.append((place, self.level))
        return changes
