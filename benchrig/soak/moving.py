"""The last stretch of a watch as a short row of means, whatever the rate: what stability is judged on."""

from __future__ import annotations

from collections import deque

import numpy as np

from ..judgement.trend import Drift, drift
from .findings import Floats

PARTS = 60  # means that a full window has
ENOUGH = 0.95  # of the window that must be spanned before anything is said of it


class Moving:
    """Means over `over` / PARTS seconds each, of the last `over` seconds. In rising time."""

    def __init__(self, over: float) -> None:
        self._over = over
        self._part = over / PARTS
        self._means: deque[tuple[float, float]] = deque(maxlen=PARTS)
        self._open: tuple[int, int, float, float] | None = None  # part number, readings, sums of time and value

    def add_many(self, times: Floats, values: Floats) -> None:
        """Readings of shape (n,)."""
        if not times.size:
            return
        parts = np.floor_divide(times, self._part).astype(np.int64)
        edges = np.flatnonzero(np.diff(parts)) + 1
        for when, what, part in zip(np.split(times, edges), np.split(values, edges), parts[[0, *edges]], strict=True):
            self._add(int(part), when.size, float(when.sum()), float(what.sum()))

    def _add(self, part: int, count: int, time: float, value: float) -> None:
        if self._open is not None and self._open[0] == part:
            _, n, t, v = self._open
            self._open = (part, n + count, t + time, v + value)
            return
        if self._open is not None:
            _, n, t, v = self._open
            self._means.append((t / n, v / n))
        self._open = (part, count, time, value)

    def drift(self) -> Drift | None:
        """What the window does; None until it is nearly full, and while readings have been missing for too long."""
        if len(self._means) < 3:
            return None
        rows = np.array(self._means)
        recent = rows[rows[:, 0] > rows[-1, 0] - self._over]
        if len(recent) < PARTS // 2 or recent[-1, 0] - recent[0, 0] < ENOUGH * self._over - 2.0 * self._part:
            return None
        return drift(recent[:, 0], recent[:, 1])
