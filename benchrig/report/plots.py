"""Plots as inline SVG, drawn from numbers by pure functions; no plotting library, no script, no outside asset.

A long series is drawn as its envelope: for each column the least and the greatest value. Thinning could lose the
one sample that matters; an envelope cannot. Gaps stay gaps.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..records.envelope import Envelope, envelope_over
from ..units import clock_words, show

_LEFT, _RIGHT, _TOP, _BOTTOM = 74, 14, 12, 30


@dataclass(frozen=True, slots=True)
class Band:
    """A horizontal stretch of values that means something: a window, or a limit with one side open (None)."""

    low: float | None
    high: float | None
    name: str


@dataclass(frozen=True, slots=True)
class Axes:
    """Where values land on the drawing."""

    x0: float
    x1: float
    y0: float
    y1: float
    width: int
    height: int

    def x(self, value: float) -> float:
        return _LEFT + (value - self.x0) / (self.x1 - self.x0) * (self.width - _LEFT - _RIGHT)

    def y(self, value: float) -> float:
        share = (value - self.y0) / (self.y1 - self.y0)
        return self.height - _BOTTOM - min(1.0, max(0.0, share)) * (self.height - _TOP - _BOTTOM)


def ticks(low: float, high: float, about: int = 5) -> list[float]:
    """Round values (1, 2, 5 times a power of ten) that divide low..high into about `about` parts.

    >>> ticks(0.0, 10.0)
    [0.0, 2.0, 4.0, 6.0, 8.0, 10.0]
    """
    raw = (high - low) / about
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(power * m for m in (1.0, 2.0, 5.0, 10.0) if power * m >= raw * 0.999999)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [float(f"{i * step:.12g}") for i in range(first, last + 1)]


LONG = 600.0  # s from which moments are told as on a clock
_STRIDES = (60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 21600, 43200, 86400, 172800, 604800)


def moments(start: float, stop: float, unit: str, about: int = 7) -> list[tuple[float, str]]:
    """Where the time axis is marked, and how: hours and minutes on long ones, seconds with a prefix on short ones."""
    if unit != "s" or stop - start < LONG:
        return [(moment, show(moment, unit, digits=3)) for moment in ticks(start, stop, about)]
    stride = next((it for it in _STRIDES if (stop - start) / it <= about + 1), _STRIDES[-1])
    first = math.ceil(start / stride - 1e-9)
    return [(i * stride, clock_words(i * stride)[:-3] + " h") for i in range(first, math.floor(stop / stride) + 1)]


def plot_envelope(
    drawn: Envelope, *, unit: str, title: str, bands: Sequence[Band] = (), width: int = 760, height: int = 240
) -> str:
    """A long course: a stretch from the least to the greatest of each moment, and the mean as a line.

    `drawn` has n >= 1 stretches.
    """
    t = drawn.times - drawn.times[0]
    axes = _axes(t, np.concatenate((drawn.least, drawn.greatest)), bands, width, height)
    parts = [
        *(_band(axes, band) for band in bands),
        _grid(axes, unit, "s"),
        *(_spread(axes, "reach", t[run], Envelope(*(it[run] for it in drawn))) for run in runs(t)),
        *(_line(axes, t[run], drawn.mean[run]) for run in runs(t)),
    ]
    return _frame("".join(parts), title, width, height)


def plot(
    times: Sequence[float] | NDArray[np.float64],
    values: Sequence[float] | NDArray[np.float64],
    *,
    unit: str,
    title: str,
    time_unit: str = "s",
    bands: Sequence[Band] = (),
    gaps: Sequence[tuple[float, float]] = (),
    width: int = 760,
    height: int = 240,
) -> str:
    """One series over time as an SVG element.

    times, values: shape (n,), seconds and `unit`; n = 0 draws an empty frame that says so. `bands` are shaded and
    named, `gaps` (start, end) are hatched. Text is escaped: names come from files and people.
    """
    t = np.asarray(times, dtype=np.float64)
    v = np.asarray(values, dtype=np.float64)
    keep = np.isfinite(v)
    lost = np.cumsum(~keep)[keep]  # how many were lost before each of those that are kept
    t, v = t[keep], v[keep]
    if len(v) == 0:
        return _frame(f'<text x="{width / 2}" y="{height / 2}" class="note">no readings</text>', title, width, height)
    axes = _axes(t, v, bands, width, height)
    parts = [
        *(_band(axes, band) for band in bands),
        *(_gap(axes, gap) for gap in gaps),
        _grid(axes, unit, time_unit),
        *(_trace(axes, t[run], v[run]) for run in runs(t, lost)),
    ]
    return _frame("".join(parts), title, width, height)


def _axes(t: NDArray[np.float64], v: NDArray[np.float64], bands: Sequence[Band], width: int, height: int) -> Axes:
    edges = [edge for band in bands for edge in (band.low, band.high) if edge is not None and math.isfinite(edge)]
    low, high = min([float(v.min()), *edges]), max([float(v.max()), *edges])
    margin = (high - low) * 0.08 or abs(high) * 0.01 or 1.0
    x0, x1 = float(t[0]), float(t[-1])
    return Axes(x0, x1 if x1 > x0 else x0 + 1.0, low - margin, high + margin, width, height)


def _band(axes: Axes, band: Band) -> str:
    top = axes.y(axes.y1 if band.high is None else band.high)
    bottom = axes.y(axes.y0 if band.low is None else band.low)
    wide = axes.width - _LEFT - _RIGHT
    return (
        f'<rect class="band" x="{_LEFT}" y="{top:.1f}" width="{wide}" height="{max(0.0, bottom - top):.1f}">'
        f"<title>{escape(band.name)}</title></rect>"
    )


def _gap(axes: Axes, gap: tuple[float, float]) -> str:
    left, right = (axes.x(min(max(moment, axes.x0), axes.x1)) for moment in gap)
    tall = axes.height - _TOP - _BOTTOM
    return (
        f'<rect class="gap" x="{left:.1f}" y="{_TOP}" width="{max(1.0, right - left):.1f}" height="{tall}">'
        f"<title>no readings for {gap[1] - gap[0]:.1f} s</title></rect>"
    )


def _grid(axes: Axes, unit: str, time_unit: str) -> str:
    parts = []
    values = ticks(axes.y0, axes.y1)
    step = values[1] - values[0] if len(values) > 1 else None
    for value in values:
        y = axes.y(value)
        label = escape(show(value, unit, resolution=step))
        parts.append(f'<path class="grid" d="M{_LEFT} {y:.1f}H{axes.width - _RIGHT}"/>')
        parts.append(f'<text class="value" x="{_LEFT - 6}" y="{y + 4:.1f}">{label}</text>')
    for moment, words in moments(axes.x0, axes.x1, time_unit):
        parts.append(f'<text class="moment" x="{axes.x(moment):.1f}" y="{axes.height - 10}">{escape(words)}</text>')
    return "".join(parts)


PAUSE = 20.0  # usual distances between readings that part two stretches


def runs(t: NDArray[np.float64], lost: NDArray[np.int64] | None = None) -> list[slice]:
    """Stretches of `t`, shape (n,) with n > 0, across which a line may be drawn: nothing is missing inside them.

    They end where the count of what was `lost` before, shape (n,), goes up, and where time passed without a reading.
    """
    steps = np.diff(t)
    broken = steps > PAUSE * float(np.median(steps)) if steps.size > 2 else np.zeros(steps.size, dtype=np.bool_)
    if lost is not None:
        broken = broken | (np.diff(lost) > 0)
    bounds = [0, *(np.flatnonzero(broken) + 1).tolist(), len(t)]
    return [slice(a, b) for a, b in pairwise(bounds)]


def _line(axes: Axes, t: NDArray[np.float64], v: NDArray[np.float64]) -> str:
    """A line through all; a dot for a single one."""
    if len(t) == 1:
        return f'<circle class="dot" cx="{axes.x(float(t[0])):.1f}" cy="{axes.y(float(v[0])):.1f}" r="1.4"/>'
    return f'<polyline class="trace" points="{_points(axes, t, v)}"/>'


def _trace(axes: Axes, t: NDArray[np.float64], v: NDArray[np.float64]) -> str:
    columns = axes.width - _LEFT - _RIGHT
    if len(v) <= 2 * columns:
        return _line(axes, t, v)
    drawn = envelope_over(t, v, columns)
    return _spread(axes, "spread", drawn.times, drawn)


def _spread(axes: Axes, kind: str, t: NDArray[np.float64], drawn: Envelope) -> str:
    """From the least to the greatest at each moment: along the top, and back along the bottom."""
    around = f"{_points(axes, t, drawn.greatest)} {_points(axes, t[::-1], drawn.least[::-1])}"
    return f'<polygon class="{kind}" points="{around}"/>'


def _points(axes: Axes, t: NDArray[np.float64], v: NDArray[np.float64]) -> str:
    return " ".join(f"{axes.x(a):.1f},{axes.y(b):.1f}" for a, b in zip(t, v, strict=True))


def _frame(inner: str, title: str, width: int, height: int) -> str:
    name = escape(title, quote=True)
    tall, wide = height - _TOP - _BOTTOM, width - _LEFT - _RIGHT
    return (
        f'<svg class="plot" viewBox="0 0 {width} {height}" role="img" aria-label="{name}">'
        f'<rect class="frame" x="{_LEFT}" y="{_TOP}" width="{wide}" height="{tall}"/>{inner}</svg>'
    )
