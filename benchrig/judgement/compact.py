"""A whole watch in constant memory: block means with their extremes; no extreme is ever lost.

When the blocks are full, neighbours are merged and every block is twice as long from then on. So a minute and a week
both fill some hundred blocks, which is all that a trend or a plot needs.
"""

from __future__ import annotations

import math

import numpy as np

from .series import Floats


class Compact:
    """Readings of one channel, in rising time: fewer than 2 * `pairs` blocks, of `length` readings each."""

    def __init__(self, pairs: int = 128) -> None:
        # columns: time and value sums, least, greatest
        self._blocks = np.empty((2 * pairs, 4), dtype=np.float64)
        self._full = 0
        self.length = 1
        self.count = 0
        self._origin = (math.nan, math.nan)  # the first reading
        self._open = (0, 0.0, 0.0, math.inf, -math.inf)

    def add(self, time: float, value: float) -> None:
        """One reading."""
        if not self.count:
            self._origin = (time, value)
        self.count += 1
        n, when, sum_, least, most = self._open
        away = value - self._origin[1]
        self._open = (n + 1, when + time - self._origin[0], sum_ + away, min(least, value), max(most, value))
        self._close_if_full()

    def add_many(self, times: Floats, values: Floats) -> None:
        """Readings of shape (n,)."""
        start = 0
        while start < values.size:
            if not self.count:
                self._origin = (float(times[0]), float(values[0]))
            n, when, sum_, least, most = self._open
            stop = min(start + self.length - n, values.size)
            t, v = times[start:stop], values[start:stop]
            self.count += stop - start
            self._open = (
                n + stop - start,
                when + float((t - self._origin[0]).sum()),
                sum_ + float((v - self._origin[1]).sum()),
                min(least, float(v.min())),
                max(most, float(v.max())),
            )
            self._close_if_full()
            start = stop

    def series(self) -> tuple[Floats, Floats]:
        """Mean times and mean values of the full blocks, shape (blocks,) each."""
        when, sum_, _, _ = self._blocks[: self._full].T
        return when / self.length + self._origin[0], sum_ / self.length + self._origin[1]

    def envelope(self) -> tuple[Floats, Floats, Floats]:
        """Mean times, least and greatest values of all blocks, the open one included."""
        times, _ = self.series()
        least, most = self._blocks[: self._full, 2], self._blocks[: self._full, 3]
        n, when, _, low, high = self._open
        if n:
            times = np.append(times, when / n + self._origin[0])
            least, most = np.append(least, low), np.append(most, high)
        return times, least.copy(), most.copy()

    def _close_if_full(self) -> None:
        if self._open[0] < self.length:
            return
        self._blocks[self._full] = self._open[1:]
        self._full += 1
        self._open = (0, 0.0, 0.0, math.inf, -math.inf)
        if self._full == len(self._blocks):
            self._merge()

    def _merge(self) -> None:
        one, two = self._blocks[0::2], self._blocks[1::2]
        merged = np.empty_like(one)
        merged[:, :2] = one[:, :2] + two[:, :2]
        merged[:, 2] = np.minimum(one[:, 2], two[:, 2])
        merged[:, 3] = np.maximum(one[:, 3], two[:, 3])
        self._full = len(merged)
        self._blocks[: self._full] = merged
        self.length *= 2
