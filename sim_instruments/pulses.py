"""Repeating waveforms in closed form: drawn strokes and timer pulses with ringing edges.

Rules kept here: areas come from antiderivatives, so that a mean over three days costs what one over three
microseconds does; a pulse train is continuous in phase through every change of its times, so that two questions
about one record always fit together.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from benchrig.clock import Clock

from .histories import Array, one
from .nodes import AtFunction, BreaksFunction, level_mean, mean_over, no_breaks, panels


class Strokes:
    """A polyline that repeats: what a deflection amplifier is fed while a picture is drawn.

    `volts` (k,) are the corners, evenly spread over `period` seconds; it starts again at the first.
    """

    def __init__(self, period: float, volts: Sequence[float]) -> None:
        self.period = period
        corners = np.array([*volts, volts[0]], dtype=np.float64)
        step = period / (len(corners) - 1)
        self._times = np.arange(len(corners)) * step
        self._volts = corners
        self._slopes = np.diff(corners) / step
        self._areas = np.concatenate([[0.0], np.cumsum((corners[1:] + corners[:-1]) / 2.0 * step)])
        cubes = (corners[1:] ** 2 + corners[1:] * corners[:-1] + corners[:-1] ** 2) / 3.0
        self._squares = np.concatenate([[0.0], np.cumsum(cubes * step)])

    def values(self, times: Array) -> Array:
        """Volts at `times` since a start of the polyline, shape (n,)."""
        return np.interp(np.mod(times, self.period), self._times, self._volts)

    def area(self, until: float) -> float:
        """Volt seconds from 0 to `until`."""
        whole, index, into = self._locate(until)
        partial = self._volts[index] * into + self._slopes[index] * into**2 / 2.0
        return float(whole * self._areas[-1] + self._areas[index] + partial)

    def square_area(self, until: float) -> float:
        """Volts squared, times seconds, from 0 to `until`."""
        whole, index, into = self._locate(until)
        volts, slope = self._volts[index], self._slopes[index]
        partial = volts**2 * into + volts * slope * into**2 + slope**2 * into**3 / 3.0
        return float(whole * self._squares[-1] + self._squares[index] + partial)

    def _locate(self, until: float) -> tuple[float, int, float]:
        whole = math.floor(until / self.period)
        rest = until - whole * self.period
        index = min(max(int(np.searchsorted(self._times, rest, side="right")) - 1, 0), len(self._slopes) - 1)
        return float(whole), index, rest - float(self._times[index])


class Drawn:
    """A level with strokes on it while something is being drawn.

    `spans(start, stop)` gives (from, to, origin) of the drawing inside a window; the strokes start at `origin`.
    `gain` scales them and is taken at the middle of each span.
    """

    def __init__(
        self,
        level: AtFunction,
        strokes: Strokes,
        spans: Callable[[float, float], list[tuple[float, float, float]]],
        *,
        resistance: float,
        gain: AtFunction | None = None,
        breaks: BreaksFunction = no_breaks,
    ) -> None:
        self.resistance = resistance
        self._level = level
        self._strokes = strokes
        self._spans = spans
        self._gain = gain
        self._breaks = breaks

    def average(self, start: float, stop: float) -> float:
        if stop <= start:
            return float(self.samples(start, 0.0, 1)[0])
        return level_mean(self._level, self._breaks, start, stop) + self._moments(start, stop)[0]

    def rms(self, start: float, stop: float) -> float:
        """The level is taken as standing still in the window."""
        if stop <= start:
            return 0.0
        mean, square = self._moments(start, stop)
        return math.sqrt(max(0.0, square - mean**2))

    def samples(self, start: float, interval: float, count: int) -> Array:
        if count == 0:
            return np.empty(0)
        times = start + interval * np.arange(count, dtype=np.float64)
        volts = np.broadcast_to(self._level(times), times.shape) + 0.0
        for begin, end, origin in self._spans(start, math.nextafter(float(times[-1]), math.inf)):
            a, b = np.searchsorted(times, (begin, end))
            volts[a:b] += self._gain_at((begin + end) / 2.0) * self._strokes.values(times[a:b] - origin)
        return volts

    def _moments(self, start: float, stop: float) -> tuple[float, float]:
        mean = square = 0.0
        for begin, end, origin in self._spans(start, stop):
            gain = self._gain_at((begin + end) / 2.0)
            mean += gain * (self._strokes.area(end - origin) - self._strokes.area(begin - origin))
            square += gain**2 * (self._strokes.square_area(end - origin) - self._strokes.square_area(begin - origin))
        return mean / (stop - start), square / (stop - start)

    def _gain_at(self, when: float) -> float:
        return 1.0 if self._gain is None else one(self._gain(np.array([when])))


@dataclass(frozen=True, slots=True)
class Pulse:
    """One shape of pulse. Seconds and volts.

    The 50 % points of its edges are `high_time` and `low_time` apart. After each edge, outward from the level it
    goes to, comes ring * exp(-t/ring_tau) * sin(2 pi ring_frequency t). `high_time` 0 means stuck at `low`.
    """

    high_time: float
    low_time: float
    low: float
    high: float
    edge: float
    ring: float = 0.0
    ring_tau: float = 1.0
    ring_frequency: float = 0.0

    @property
    def period(self) -> float:
        return self.high_time + self.low_time

    @property
    def stuck(self) -> bool:
        return self.high_time <= 0.0

    @property
    def corners(self) -> tuple[float, ...]:
        """Moments of the period at which the shape has a corner."""
        return (0.0, self.edge, self.high_time, self.high_time + self.edge, self.period)

    def values(self, phase: Array) -> Array:
        """Volts at `phase` seconds from the start of the rising edge, 0 <= phase < period."""
        if self.stuck:
            return np.full(phase.shape, self.low)
        shape = np.clip(phase / self.edge, 0.0, 1.0) - np.clip((phase - self.high_time) / self.edge, 0.0, 1.0)
        volts = self.low + (self.high - self.low) * shape
        if self.ring:
            for edge, sign in ((self.edge, 1.0), (self.high_time + self.edge, -1.0)):
                near = np.flatnonzero((phase > edge) & (phase < edge + 30.0 * self.ring_tau))
                volts[near] += sign * self._ringing(phase[near] - edge)
        return volts

    def _ringing(self, since: Array) -> Array:
        return self.ring * np.exp(-since / self.ring_tau) * np.sin(2.0 * math.pi * self.ring_frequency * since)

    def area(self, phase: float) -> float:
        """Volt seconds from the start of the rising edge to `phase`, phase <= period."""
        if self.stuck:
            return self.low * phase
        ramp = self._ramp_area(phase) - self._ramp_area(phase - self.high_time)
        rang = self._ring_area(phase - self.edge) - self._ring_area(phase - self.high_time - self.edge)
        return self.low * phase + (self.high - self.low) * ramp + self.ring * rang

    def square_area(self, phase: float, about: float) -> float:
        """Volts squared about a level, times seconds, from the start of the rising edge to `phase`; by quadrature."""
        if phase <= 0.0:
            return 0.0
        width = 0.4 / self.ring_frequency if self.ring else math.inf
        corners = [0.0, *(c for c in self.corners[1:] if c < phase), phase]
        edges = np.concatenate([panels(a, b, width=width)[:-1] for a, b in pairwise(corners)] + [[phase]])
        return phase * mean_over(lambda times: (self.values(times) - about) ** 2, edges)

    def _ramp_area(self, time: float) -> float:
        if time <= 0.0:
            return 0.0
        return time**2 / (2.0 * self.edge) if time < self.edge else time - self.edge / 2.0

    def _ring_area(self, time: float) -> float:
        if time <= 0.0 or not self.ring:
            return 0.0
        omega, rate = 2.0 * math.pi * self.ring_frequency, 1.0 / self.ring_tau
        left = math.exp(-time * rate) * (omega * math.cos(omega * time) + rate * math.sin(omega * time))
        return (omega - left) / (omega**2 + rate**2)


@dataclass(frozen=True, slots=True)
class _Run:
    """From `since` on: pulses of one shape, `phase` seconds into a period at that moment."""

    since: float
    phase: float
    pulse: Pulse


class PulseTrain:
    """Pulses whose shape may be changed at any moment; the phase runs on through the change."""

    def __init__(self, clock: Clock, pulse: Pulse, resistance: float) -> None:
        self.resistance = resistance
        self._clock = clock
        self._runs: tuple[_Run, ...] = (_Run(clock.now(), 0.0, pulse),)

    @property
    def pulse(self) -> Pulse:
        """The shape now."""
        return self._runs[self._index(self._clock.now())].pulse

    def change(self, steps: Sequence[tuple[float, Pulse]]) -> None:
        """Take these shapes at these moments, now or later and rising; what was planned after the first is dropped."""
        runs = [run for run in self._runs if run.since < steps[0][0]][-600:]
        for when, pulse in steps:
            last = runs[-1] if runs else _Run(when, 0.0, pulse)
            gone = 0.0 if last.pulse.stuck else math.fmod(last.phase + when - last.since, last.pulse.period)
            part = 0.0 if last.pulse.stuck else gone / last.pulse.period
            if pulse != last.pulse or not runs:
                runs.append(_Run(when, part * pulse.period, pulse))
        self._runs = tuple(runs)

    def average(self, start: float, stop: float) -> float:
        if stop <= start:
            return float(self.samples(start, 0.0, 1)[0])
        parts = (self._area(run, a, b) for run, a, b in self._parts(start, stop))
        return math.fsum(parts) / (stop - start)

    def rms(self, start: float, stop: float) -> float:
        if stop <= start:
            return 0.0
        centre = self.average(start, stop)
        parts = (self._square_area(run, a, b, centre) for run, a, b in self._parts(start, stop))
        return math.sqrt(max(0.0, math.fsum(parts)) / (stop - start))

    def samples(self, start: float, interval: float, count: int) -> Array:
        if count == 0:
            return np.empty(0)
        times = start + interval * np.arange(count, dtype=np.float64)
        parts = list(self._parts(start, float(times[-1])))
        edges = [0, *(int(np.searchsorted(times, a)) for _, a, _ in parts[1:]), count]
        return np.concatenate(
            [self._values(run, times[a:b]) for (run, _, _), a, b in zip(parts, edges, edges[1:], strict=False)]
        )

    def _index(self, when: float) -> int:
        return max(0, bisect_right(self._runs, when, key=lambda run: run.since) - 1)

    def _parts(self, start: float, stop: float) -> list[tuple[_Run, float, float]]:
        runs = self._runs[self._index(start) : self._index(stop) + 1]
        edges = [start, *(run.since for run in runs[1:]), stop]
        return [(run, a, b) for run, (a, b) in zip(runs, pairwise(edges), strict=True)]

    @staticmethod
    def _values(run: _Run, times: Array) -> Array:
        if run.pulse.stuck:
            return np.full(times.shape, run.pulse.low)
        return run.pulse.values(np.mod(times - run.since + run.phase, run.pulse.period))

    @staticmethod
    def _area(run: _Run, start: float, stop: float) -> float:
        return _over(run, start, stop, run.pulse.area, run.pulse.low)

    @staticmethod
    def _square_area(run: _Run, start: float, stop: float, about: float) -> float:
        pulse = run.pulse
        return _over(run, start, stop, lambda phase: pulse.square_area(phase, about), (pulse.low - about) ** 2)


def _over(run: _Run, start: float, stop: float, area: Callable[[float], float], stuck: float) -> float:
    """Integral from `start` to `stop` of what `area` is the integral of over one period."""
    if run.pulse.stuck:
        return stuck * (stop - start)
    period = run.pulse.period
    before, first = divmod(start - run.since + run.phase, period)
    whole, last = divmod(stop - run.since + run.phase, period)
    return (whole - before) * area(period) + area(last) - area(first)
