"""Test points: a voltage over time behind a source resistance, asked in closed form.

Rules kept here: no node steps through time; a question about any window costs the same today and after three
days. What varies slowly (a regulator warming up, a trimmer settling) is integrated by Gauss-Legendre quadrature
between the moments at which something was switched or turned; tones are integrated exactly.

Loading is the instrument's business: a node says its `resistance`, and an input resistance R shows
R / (R + resistance) of it. A probe is therefore only another node: its open-circuit voltage and its own
source resistance (Thevenin), and the meter's input does the rest.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from .histories import Array, Value, one
from .interfaces import Node

AtFunction = Callable[[Array], Value]  # rising times (n,) to volts; one float where all are the same
BreaksFunction = Callable[[float, float], Sequence[float]]  # moments between two at which `at` may have a corner

_POINTS, _WEIGHTS = np.polynomial.legendre.leggauss(8)
_FEW_POINTS, _FEW_WEIGHTS = np.polynomial.legendre.leggauss(3)
_MOST_PANELS = 100_000
_GROWING = tuple(0.003 * 3.0**n for n in range(13))  # seconds; up to a day
LOOK_BACK = 5.0  # seconds after a corner for which an average is taken with care; slower things need none
OPEN = 1e12  # ohm: an input that touches nothing


def no_breaks(start: float, stop: float) -> Sequence[float]:
    """For what never has a corner."""
    return ()


def _check(start: float, stop: float) -> None:
    if not (math.isfinite(start) and math.isfinite(stop) and stop >= start):
        raise ValueError(f"A node cannot be averaged from {start} s to {stop} s.")


def panels(start: float, stop: float, breaks: Sequence[float] = (), width: float = math.inf) -> Array:
    """Edges of panels from `start` to `stop`: none wider than `width`, one at every break in between.

    With breaks, just past ones included, the panels are short after each corner and grow from there, threefold
    each, so that what dies away after it is followed whatever its time constant.
    """
    corners = [start, *sorted(b for b in breaks if start < b < stop), stop]
    graded = [corners[0]]
    for a, b in pairwise(corners):
        if breaks:
            graded += (a + offset for offset in _GROWING if a + offset < b)
        graded.append(b)
    edges = np.array(graded)
    if math.isinf(width):
        return edges
    most = max(1, _MOST_PANELS // len(edges))
    counts = np.clip(np.ceil(np.diff(edges) / width), 1, most).astype(int)
    parts = [np.linspace(a, b, n + 1)[:-1] for (a, b), n in zip(pairwise(graded), counts, strict=True)]
    return np.append(np.concatenate(parts), stop)


def mean_over(at: AtFunction, edges: Array, points: Array = _POINTS, weights: Array = _WEIGHTS) -> float:
    """Mean of `at` over panels with rising `edges`, by Gauss-Legendre quadrature in each."""
    half = np.diff(edges) / 2.0
    middle = (edges[:-1] + edges[1:]) / 2.0
    found = at((middle[:, None] + half[:, None] * points).ravel())
    if isinstance(found, float):
        return found
    summed = found.reshape(len(half), -1) @ weights
    return float(summed @ half) / float(edges[-1] - edges[0])


def level_mean(level: AtFunction, breaks: BreaksFunction, start: float, stop: float) -> float:
    """Mean of a law over a window; cheap where nothing has happened lately."""
    corners = breaks(start - LOOK_BACK, stop)
    if not corners:
        return mean_over(level, np.array([start, stop]), _FEW_POINTS, _FEW_WEIGHTS)
    return mean_over(level, panels(start, stop, corners))


@dataclass(frozen=True, slots=True)
class Tones:
    """A sum of sines: amplitude (V peak), frequency (Hz), phase (radians), each shape (k,)."""

    amplitudes: Array = field(default_factory=lambda: np.zeros(0))
    frequencies: Array = field(default_factory=lambda: np.zeros(0))
    phases: Array = field(default_factory=lambda: np.zeros(0))

    @classmethod
    def of(cls, *tones: tuple[float, float, float]) -> Tones:
        """From (amplitude, frequency, phase) each."""
        table = np.array(tones, dtype=np.float64).reshape(-1, 3)
        return cls(table[:, 0].copy(), table[:, 1].copy(), table[:, 2].copy())

    def __bool__(self) -> bool:
        return self.amplitudes.size > 0

    def values(self, times: Array) -> Array:
        """Volts at `times`, shape (n,)."""
        total = np.zeros(times.shape)
        for amplitude, frequency, phase in zip(self.amplitudes, self.frequencies, self.phases, strict=True):
            total += amplitude * np.sin(2.0 * math.pi * frequency * times + phase)
        return total

    def mean(self, start: float, stop: float) -> float:
        """Exact mean volts between two moments, stable for windows of any length."""
        # mean of sin(wt + p) over a window of length T about m is sin(wm + p) * sin(wT/2) / (wT/2)
        omega = 2.0 * math.pi * self.frequencies
        shape = np.sinc(self.frequencies * (stop - start))
        return float(self.amplitudes @ (np.sin(omega * ((start + stop) / 2.0) + self.phases) * shape))


NO_TONES = Tones()


class Analogue:
    """A slowly varying level, plus tones (ripple, hum, wander) scaled by a gain.

    `level` and `gain` are smooth between `breaks`. In `average` the gain is taken at the middle of the window.
    """

    def __init__(
        self,
        level: AtFunction,
        *,
        resistance: float = 0.0,
        tones: Tones = NO_TONES,
        gain: AtFunction | None = None,
        breaks: BreaksFunction = no_breaks,
    ) -> None:
        self.resistance = resistance
        self._level = level
        self._tones = tones
        self._gain = gain
        self._breaks = breaks
        fastest = float(tones.frequencies.max()) if tones else 0.0
        self._panel = 0.5 / fastest if fastest else math.inf

    def average(self, start: float, stop: float) -> float:
        _check(start, stop)
        if stop == start:
            return float(self._at(np.array([start]))[0])
        total = level_mean(self._level, self._breaks, start, stop)
        if self._tones:
            total += self._gain_at((start + stop) / 2.0) * self._tones.mean(start, stop)
        return total

    def rms(self, start: float, stop: float) -> float:
        _check(start, stop)
        if stop == start:
            return 0.0
        edges = panels(start, stop, self._breaks(start - LOOK_BACK, stop), self._panel)
        centre = mean_over(self._at, edges)
        return math.sqrt(max(0.0, mean_over(lambda times: (self._at(times) - centre) ** 2, edges)))

    def samples(self, start: float, interval: float, count: int) -> Array:
        return self._at(start + interval * np.arange(count, dtype=np.float64)) if count else np.empty(0)

    def _gain_at(self, when: float) -> float:
        if self._gain is None:
            return 1.0
        return one(self._gain(np.array([when])))

    def _at(self, times: Array) -> Array:
        level = self._level(times)
        if not self._tones:
            return np.broadcast_to(level, times.shape) + 0.0
        gain = 1.0 if self._gain is None else self._gain(times)
        return level + gain * self._tones.values(times)


class Steady:
    """A voltage that never changes."""

    def __init__(self, volts: float = 0.0, resistance: float = 0.0) -> None:
        self.volts = volts
        self.resistance = resistance

    def average(self, start: float, stop: float) -> float:
        _check(start, stop)
        return self.volts

    def rms(self, start: float, stop: float) -> float:
        _check(start, stop)
        return 0.0

    def samples(self, start: float, interval: float, count: int) -> Array:
        return np.full(count, self.volts)


class Resistor(Steady):
    """No voltage, only ohms that may change: a fuse, a capacitor's series resistance."""

    def __init__(self, ohms: Callable[[float], float]) -> None:
        super().__init__()
        self.ohms = ohms  # of the moment


class Tapped:
    """A node seen through a divider or a series resistor, as its Thevenin source."""

    def __init__(self, node: Node, *, factor: float = 1.0, resistance: Callable[[float], float]) -> None:
        self._node = node
        self._factor = factor
        self._seen_as = resistance

    @property
    def resistance(self) -> float:
        return self._seen_as(self._node.resistance)

    @resistance.setter
    def resistance(self, value: float) -> None:
        raise AttributeError("The resistance of a probe follows from its parts.")

    def average(self, start: float, stop: float) -> float:
        return self._factor * self._node.average(start, stop)

    def rms(self, start: float, stop: float) -> float:
        return abs(self._factor) * self._node.rms(start, stop)

    def samples(self, start: float, interval: float, count: int) -> Array:
        return self._factor * self._node.samples(start, interval, count)


def through_divider(node: Node, upper: float, lower: float) -> Tapped:
    """A resistive divider of `upper` over `lower` ohms (a high-voltage probe), before a meter loads it."""
    whole = node.resistance + upper + lower
    return Tapped(
        node,
        factor=lower / whole,
        resistance=lambda source: lower * (upper + source) / (upper + source + lower),
    )


class Jack:
    """One input of an instrument: which node it touches, now and in the moments just past."""

    def __init__(self, node: Node | None = None) -> None:
        self._since: tuple[float, ...] = (-math.inf,)
        self._nodes: tuple[Node, ...] = (node or Steady(0.0, OPEN),)

    @property
    def resistance(self) -> float:
        return self._nodes[-1].resistance

    @resistance.setter
    def resistance(self, value: float) -> None:
        raise AttributeError("An input's source is what it touches.")

    @property
    def node(self) -> Node:
        """What it touches now."""
        return self._nodes[-1]

    def ohms(self, when: float) -> float:
        """What an ohmmeter sees; inf where the node is none that it may be put on."""
        node = self._nodes[max(0, bisect_right(self._since, when) - 1)]
        return node.ohms(when) if isinstance(node, Resistor) else math.inf

    def touch(self, node: Node | None, now: float) -> None:
        """Move the input to `node`, or lift it off (None)."""
        self._since, self._nodes = (*self._since[-8:], now), (*self._nodes[-8:], node or Steady(0.0, OPEN))

    def average(self, start: float, stop: float) -> float:
        _check(start, stop)
        if start >= self._since[-1]:
            return self._nodes[-1].average(start, stop)
        parts = self._parts(start, stop)
        return math.fsum(n.average(a, b) * (b - a) for n, a, b in parts) / (stop - start)

    def rms(self, start: float, stop: float) -> float:
        _check(start, stop)
        if start >= self._since[-1]:
            return self._nodes[-1].rms(start, stop)
        centre, length = self.average(start, stop), stop - start
        squares = ((n.rms(a, b) ** 2 + (n.average(a, b) - centre) ** 2, b - a) for n, a, b in self._parts(start, stop))
        return math.sqrt(math.fsum(square * part for square, part in squares) / length)

    def samples(self, start: float, interval: float, count: int) -> Array:
        if start >= self._since[-1]:
            return self._nodes[-1].samples(start, interval, count)
        edges = np.clip(np.ceil((np.array(self._since[1:]) - start) / interval), 0, count).astype(int)
        bounds = [0, *edges.tolist(), count]
        return np.concatenate(
            [
                node.samples(start + a * interval, interval, b - a)
                for node, a, b in zip(self._nodes, bounds, bounds[1:], strict=False)
            ]
        )

    def _parts(self, start: float, stop: float) -> list[tuple[Node, float, float]]:
        if stop == start:
            stop = math.nextafter(start, math.inf)
        first = max(0, bisect_right(self._since, start) - 1)
        edges = [start, *(s for s in self._since[first + 1 :] if s < stop), stop]
        return [(n, a, b) for n, a, b in zip(self._nodes[first:], edges, edges[1:], strict=False)]
