"""The last stretch of a watch as a short row of medians, whatever the rate: what stability is judged on.

Medians, so that dips pass for no drift.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from ..judgement.trend import Drift, drift
from .findings import Floats

PARTS = 60  # medians that a full window has
ENOUGH = 0.95  # of the window that must be spanned before anything is said of it


class Moving:
    """Medians over `over` / PARTS seconds each, of the last `over` seconds. In rising time."""

    def __init__(self, over: float) -> None:
        self._over = over
        self._part = over / PARTS
        self._medians: deque[tuple[float, float]] = deque(maxlen=PARTS)
        self._number = 0  # of the part that is not full yet
        self._open: list[tuple[Floats, Floats]] = []

    def add_many(self, times: Floats, values: Floats) -> None:
        """Readings of shape (n,)."""
        if not times.size:
            return
        parts = np.floor_divide(times, self._part).astype(np.int64)
        edges = np.flatnonzero(np.diff(parts)) + 1
        for when, what, part in zip(np.split(times, edges), np.split(values, edges), parts[[0, *edges]], strict=True):
            if part != self._number:
                self._close()
                self._number = int(part)
            self._open.append((when, what))

    def _close(self) -> None:
        if self._open:
            when = np.concatenate([times for times, _ in self._open])
            what = np.concatenate([values for _, values in self._open])
            self._medians.append((float(when.mean()), float(np.median(what))))
            self._open.clear()

    def drift(self) -> Drift | None:
        """What the window does; None until it is nearly full, and while readings have been missing for too long."""
        if len(self._medians) < 3:
            return None
        rows = np.array(self._medians)
        recent = rows[rows[:, 0] > rows[-1, 0] - self._over]
        if len(recent) < PARTS // 2 or recent[-1, 0] - recent[0, 0] < ENOUGH * self._over - 2.0 * self._part:
            return None
        return drift(recent[:, 0], recent[:, 1])
