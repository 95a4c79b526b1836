"""Watching one channel for days: dips, steps and drift told as the readings come, in constant memory and time.

Rule 1. The false-alarm rate is chosen for the length of the watch: `readings` of them with `false_alarms` expected in
        all, for dips and for steps each, in noise that is normal.
Rule 2. A dip is known against the mean of the readings just before it, so no warm-up or drift can hide or make one.
        What does not come back within `LONGEST_EXCURSION` readings is a step.
Rule 3. A step is known by a two-sided CUSUM (Page 1954) against a level that follows slowly, in units of the long-run
        spread: that of means of `BLOCK` readings, times sqrt(BLOCK). Readings that hang together widen it, so they
        raise no alarm (thinning, done on the noise instead of on the readings).
        A drift is followed: up to a fifth of the spread per block, one that begins late is told as one step or none.
Rule 4. The first `LEARN` readings teach level and spread, `RELEARN` after a step the level; they are then gone through
        again, so nothing that happened in them is missed.
Rule 5. While the unit warms up, a change of level is no step: steps are told from `warm_up` seconds on.
Rule 6. What is kept of the whole watch is two `Compact`s, of the warm-up and of what follows; `drift` speaks from them.

One by one (`update`) and in batches (`update_many`) give the same events.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike

from .compact import Compact
from .errors import SeriesError
from .series import LARGEST, MAD_TO_SPREAD, Floats, checked_series
from .trend import LONGEST_EXCURSION, Drift, Excursion, drift

LEARN = 1024  # readings before the first verdict
RELEARN = 128  # after a step
FEWEST = 256  # readings of a whole watch that says anything
BLOCK = 64  # readings; about as long as the CUSUM needs for the smallest step it is tuned to
SLACK = 0.5  # k, in spreads: half the smallest step that is looked for
_JUST_BEFORE = 8  # readings that a dip is seen against
_FEW = 24
_MOST = 4.0  # spreads that one reading may add: one wild reading is no step
_LEVEL_GAIN, _SLOPE_GAIN, _SPREAD_GAIN = 0.1, 0.005, 0.02  # per block
_LEVEL_BEFORE = 3  # blocks: to begin with, no slope is as good a guess as so many; fewer raise more false alarms
_DOUBT = 1.1  # a spread learnt from 16 block means may be that much too small


@dataclass(frozen=True, slots=True)
class LevelStep:
    """A lasting change of level: time of the first reading after it, and its size."""

    time: float
    size: float


Event = Excursion | LevelStep


def cusum_threshold(run_length: float, slack: float = SLACK) -> float:
    """h of a two-sided CUSUM whose false alarms are this many readings apart, in spreads.

    Siegmund's formula (1985) for one side, (exp(2 k b) - 2 k b - 1) / (2 k^2) with b = h + 1.166, halved for two;
    within 1 % of the exact integral equation for run lengths above 100 and a slack of up to 0.75.

    >>> round(cusum_threshold(465.4), 1)
    5.0
    """
    if not run_length > 1.0:
        raise SeriesError(f"A run length of {run_length} readings is none.", next_step="Ask for fewer false alarms.")
    exponent = 0.0  # 2 k b; each turn leaves exp(-2 k b) of the error of the one before
    for _ in range(60):
        exponent = math.log1p(4.0 * slack**2 * run_length + exponent)
    return max(0.0, exponent / (2.0 * slack) - 1.166)


class DriftWatch:
    """One channel.

    readings      how many the whole watch will have
    false_alarms  how many of dips, and of steps, may come by chance in all of them
    resolution    one count of the display, where known
    warm_up       seconds from the first reading in which the level may move
    """

    # There when the first readings have been learnt from (`_teach`).
    _dip_variance: float
    _dip_spread: float
    _long_variance: float
    _spread: float
    _level: float
    _slope: float  # per reading
    _last_off: float
    _blocks: int
    _up: _Side
    _down: _Side

    def __init__(
        self, readings: float, false_alarms: float = 0.1, *, resolution: float = 0.0, warm_up: float = 0.0
    ) -> None:
        if not 0.0 < false_alarms < readings < math.inf:
            raise SeriesError(
                f"{false_alarms} false alarms in {readings} readings cannot be had.",
                next_step="Ask for more than none and fewer than one per reading.",
            )
        self.warming, self.settled = Compact(), Compact()
        self._threshold = cusum_threshold(readings / false_alarms)
        self._far = -NormalDist().inv_cdf(false_alarms / (2.0 * readings))
        # Within a count or two a step cannot be told from drift that crosses the edge of a count.
        self._least = 2.0 * resolution
        self._warm_up, self._warm_by = warm_up, -math.inf
        self._last = -math.inf
        self._learn, self._held = LEARN, list[tuple[float, float]]()
        self._trip: _Trip | None = None
        self._recent = deque[float](maxlen=_JUST_BEFORE)
        self._clear_block()

    # public

    def update(self, time: float, value: float) -> tuple[Event, ...]:
        """One reading; what became certain by it. Raises `SeriesError` for a number that is none or time going back."""
        if not (abs(value) <= LARGEST and self._last < time < math.inf):
            raise SeriesError(
                f"A reading of {value} at {time} s cannot follow one at {self._last} s.",
                next_step="Leave out readings without a number, and give the others in order.",
            )
        self._start(time)
        self._last = time
        (self.settled if time >= self._warm_by else self.warming).add(time, value)
        return tuple(self._take(time, value))

    def update_many(self, times: ArrayLike, values: ArrayLike) -> tuple[Event, ...]:
        """Readings of shape (n,), in order; the same events as one by one, many times faster where nothing happens."""
        if np.size(times) == 0 and np.size(values) == 0:
            return ()
        when, series = checked_series(times, values)
        if when[0] <= self._last:
            raise SeriesError(
                f"Readings from {when[0]} s cannot follow one at {self._last} s.", next_step="Give them in order."
            )
        self._start(float(when[0]))
        self._last = float(when[-1])
        cold = int(np.searchsorted(when, self._warm_by))
        self.warming.add_many(when[:cold], series[:cold])
        self.settled.add_many(when[cold:], series[cold:])
        return tuple(self._batches(when, series))

    def finish(self) -> tuple[Event, ...]:
        """The watch is over: the dip it ends in, and those in the readings that it was still learning from.

        Nothing is said from a first `FEWEST` - 1 readings, and nothing of steps: their noise takes longer to know.
        After a step the noise is known already, and a level is soon.
        """
        found: list[Event] = []
        first = self._learn == LEARN
        while len(self._held) >= (FEWEST if first else _JUST_BEFORE):  # again for what follows a step in them
            found += [event for event in self._learnt(first=first) if isinstance(event, Excursion)]
            first = False
        if self._trip is not None:
            found.append(self._trip.excursion)
            self._trip = None
        return tuple(found)

    def trend(self) -> Drift:
        """Drift and steps after the warm-up, so far. Raises `SeriesError` for fewer than three readings."""
        return drift(*self.settled.series())

    def warm_up(self) -> Drift:
        """What the readings did while warming up; its `warm_up_tau` is the time constant. Raises as `trend`."""
        return drift(*self.warming.series())

    def _start(self, time: float) -> None:
        if math.isinf(self._last):
            self._warm_by = time + self._warm_up

    # one by one

    def _take(self, time: float, value: float) -> Iterator[Event]:
        if self._learn:
            self._held.append((time, value))
            if len(self._held) >= self._learn:
                yield from self._learnt(first=self._learn == LEARN)
            return
        away = value - math.fsum(self._recent) / _JUST_BEFORE
        if abs(away) > self._far * self._dip_spread:
            yield from self._leave(time, away)
            return
        if self._trip is not None:
            yield self._trip.excursion
            self._trip = None
        self._recent.append(value)
        yield from self._count(time, value, away)

    def _leave(self, time: float, away: float) -> Iterator[Event]:
        """A reading far from those before it: a dip, until it has lasted too long for one."""
        trip = self._trip = _Trip(time, time, away, away, 1) if self._trip is None else self._trip.on(time, away)
        if trip.readings > LONGEST_EXCURSION:
            if trip.start >= self._warm_by:
                yield LevelStep(trip.start, trip.total / trip.readings)
            self._relearn()

    def _count(self, time: float, value: float, away: float) -> Iterator[Event]:
        """CUSUM, and the level that follows."""
        off = value - self._level - self._slope * self._filled
        z = max(-_MOST, min(_MOST, off / self._spread))
        self._up.add(z - SLACK, time, off)
        self._down.add(-z - SLACK, time, off)
        self._filled += 1
        self._block += off
        self._square += away * away
        risen = max(self._up, self._down, key=lambda side: side.sum)
        if risen.sum > self._threshold:
            if risen.onset >= self._warm_by:
                yield LevelStep(risen.onset, risen.off / risen.readings)
            self._relearn()
        elif self._filled == BLOCK:
            self._end_block()

    def _end_block(self) -> None:
        """Level and slope by Holt's two gains; spreads by exponential averages.

        The gains are larger at first, those of a straight line by least squares through n points: 2 (2 n - 1) and 6,
        by n (n + 1). So a drift is followed before the level is left behind far enough for a step.
        """
        self._blocks += 1
        off = self._block / BLOCK
        n = self._blocks + 1  # what the level began with is a point too
        self._level += self._slope * BLOCK + max(_LEVEL_GAIN, 2.0 * (2 * n - 1) / (n * (n + 1))) * off
        n += _LEVEL_BEFORE
        self._slope += max(_SLOPE_GAIN, 6.0 / (n * (n + 1))) * off / BLOCK
        # A level that still runs after the readings widens nothing: only the change from block to block is noise.
        change, self._last_off = off - self._last_off, off
        self._long_variance += _SPREAD_GAIN * (0.5 * BLOCK * change * change - self._long_variance)
        self._dip_variance += _SPREAD_GAIN * (self._square / BLOCK - self._dip_variance)
        self._set_spreads()
        self._clear_block()

    # learning

    def _learnt(self, *, first: bool) -> Iterator[Event]:
        """Learn from the readings held, and go through them again."""
        held, self._held = self._held, []
        self._teach(np.array([value for _, value in held]), first=first)
        for time, value in held:
            yield from self._take(time, value)

    def _teach(self, values: Floats, *, first: bool) -> None:
        """Level and spreads from readings that may hold a dip or a step: medians throughout."""
        self._learn = 0
        if first:  # after a step the spreads are known better than a few blocks could say
            self._dip_variance = _robust_variance(values[_JUST_BEFORE:] - _before(values))
            blocks = values.size // BLOCK
            medians = np.median(values[: blocks * BLOCK].reshape(blocks, BLOCK), axis=1)
            # A median of BLOCK readings has pi / 2 times the variance of their mean; a difference of two, twice.
            self._long_variance = BLOCK / math.pi * _robust_variance(np.diff(medians)) * _DOUBT**2
        self._level = float(np.median(values[:BLOCK]))
        self._set_spreads()
        self._slope = self._last_off = 0.0
        self._blocks = 0
        # What a dip is seen against at first: the level just here, for while warming up it runs away within a block.
        self._recent.extend([float(np.median(values[:_JUST_BEFORE]))] * _JUST_BEFORE)
        self._up, self._down = _Side(), _Side()

    def _relearn(self) -> None:
        self._learn, self._trip = RELEARN, None
        self._clear_block()

    def _clear_block(self) -> None:
        self._filled, self._block, self._square = 0, 0.0, 0.0

    def _set_spreads(self) -> None:
        floor = max(self._least, 1e-12 * abs(self._level), 1e-300)
        self._dip_spread = max(math.sqrt(self._dip_variance), floor)
        # Never below that of the readings themselves: negative correlation makes long-run spread small by accident.
        self._spread = max(math.sqrt(self._long_variance), self._dip_spread)

    # in batches

    def _batches(self, when: Floats, series: Floats) -> Iterator[Event]:
        while series.size:
            room = BLOCK - self._filled
            if not self._nothing(when[:room], series[:room]):
                for time, value in zip(when[:room].tolist(), series[:room].tolist(), strict=True):
                    yield from self._take(time, value)
            when, series = when[room:], series[room:]

    def _nothing(self, when: Floats, series: Floats) -> bool:
        """Take a whole run of readings within one block at once, if nothing happens in it; else leave all as it was."""
        n = series.size
        # A handful of readings is taken faster one by one than by arrays.
        if self._learn or self._trip is not None or n < _FEW:
            return False
        away = series - _before(np.concatenate((self._recent, series)))
        if float(np.abs(away).max()) > self._far * self._dip_spread:
            return False
        off = series - self._level - self._slope * np.arange(self._filled, self._filled + n)
        z = np.clip(off / self._spread, -_MOST, _MOST)
        up, down = self._up.path(z - SLACK), self._down.path(-z - SLACK)
        if max(float(up.max()), float(down.max())) > self._threshold:
            return False
        self._up.follow(up, when, off)
        self._down.follow(down, when, off)
        self._recent.extend(series[-_JUST_BEFORE:].tolist())
        self._filled += n
        self._block += float(off.sum())
        self._square += float(away @ away)
        if self._filled == BLOCK:
            self._end_block()
        return True


@dataclass(frozen=True, slots=True)
class _Trip:
    """A dip that is not over yet."""

    start: float
    stop: float
    size: float
    total: float
    readings: int

    def on(self, time: float, away: float) -> _Trip:
        return _Trip(self.start, time, max(self.size, away, key=abs), self.total + away, self.readings + 1)

    @property
    def excursion(self) -> Excursion:
        return Excursion(self.start, self.stop, self.size, self.readings)


class _Side:
    """One side of the CUSUM: its sum, and since when and how far off it has been above zero."""

    __slots__ = ("off", "onset", "readings", "sum")

    def __init__(self) -> None:
        self.sum, self.onset, self.off, self.readings = 0.0, math.nan, 0.0, 0

    def add(self, step: float, time: float, off: float) -> None:
        if self.sum + step <= 0.0:
            self.sum, self.readings, self.off = 0.0, 0, 0.0
            return
        if self.readings == 0:
            self.onset = time
        self.sum += step
        self.readings += 1
        self.off += off

    def path(self, steps: Floats) -> Floats:
        """The sums after each step, shape (n,): a running sum less the lowest that it has come to below zero."""
        total = self.sum + np.cumsum(steps)
        return np.asarray(total - np.minimum(np.minimum.accumulate(total), 0.0), dtype=np.float64)

    def follow(self, path: Floats, when: Floats, off: Floats) -> None:
        """Be where that path ends."""
        zeros = np.flatnonzero(path <= 0.0)
        self.sum = float(path[-1])
        since = int(zeros[-1]) + 1 if zeros.size else 0
        if zeros.size:
            self.readings, self.off = 0, 0.0
        if since < path.size:
            if self.readings == 0:
                self.onset = float(when[since])
            self.readings += path.size - since
            self.off += float(off[since:].sum())


def _before(values: Floats) -> Floats:
    """What each is seen against: the mean of the `_JUST_BEFORE` before it, shape (n - _JUST_BEFORE,)."""
    return np.convolve(values, np.full(_JUST_BEFORE, 1.0 / _JUST_BEFORE), "valid")[:-1]


def _robust_variance(values: Floats) -> float:
    """Variance about zero by the median magnitude, blind to a few outliers.

    A display with few counts has a median of zero; then all but the largest twentieth speak.
    """
    sizes = np.sort(np.abs(values))
    middle = MAD_TO_SPREAD * float(np.median(sizes))
    most = sizes[: max(1, int(0.95 * sizes.size))]
    return middle**2 if middle > 0.0 else float(most @ most) / most.size
