"""Quantities that change at moments and creep in between: power, warmth, charge, wipers, bad contacts.

Rules kept here: closed forms only; histories are replaced whole and never changed in place, so that a reader in
another thread sees either the old or the new one; what is asked about a time before the history gets its oldest value.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from benchrig.clock import Clock

Array = NDArray[np.float64]
Value = float | NDArray[np.float64]  # one float where all moments asked about have the same

_KEPT = 600  # changes remembered: a hand makes twenty a second, an instrument looks back a second or two
_SETTLED = 37.0  # time constants after which exp(-t/tau) is below the resolution of a double


def hashed(index: NDArray[np.int64], seed: int) -> Array:
    """Numbers evenly spread over -1..+1 that depend on (index, seed) only; `index` shape (n,), n >= 1.

    The mixing steps are the published splitmix64 finaliser (Steele, Lea and Flood 2014).
    """
    z = index.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15) + np.uint64(seed * 0xD1B54A32D192ED03 % 2**64)
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return (z ^ (z >> np.uint64(31))).astype(np.float64) / 2.0**63 - 1.0


def one(found: Value) -> float:
    """The number behind the answer to a question about one moment."""
    return float(found) if isinstance(found, float) else float(found[0])


class Relaxing:
    """A value that runs towards its goal as 1 - exp(-t/tau); goal and tau may change at any moment."""

    def __init__(self, clock: Clock, value: float, tau: float = 0.001) -> None:
        self._clock = clock
        # rows of (moment, value then, goal, tau); the newest once more as plain floats, which are quicker to ask
        self._rows = np.array([(-math.inf, value, value, tau)], dtype=np.float64)
        self._newest = (-math.inf, value, value, tau)

    @property
    def goal(self) -> float:
        return self._newest[2]

    @property
    def changed(self) -> float:
        """Clock time of the newest change; minus infinity if there was none."""
        return self._newest[0]

    def go(self, goal: float, tau: float | None = None, *, value: float | None = None) -> None:
        """Head for `goal` from now on with `tau` (as before if None), from `value` (where it is if None)."""
        now = self._clock.now()
        tau = self._newest[3] if tau is None else tau
        value = self.now() if value is None else value
        self._rows = np.vstack([self._rows[-_KEPT:], (now, value, goal, tau)])
        self._newest = (now, value, goal, tau)

    def put(self, value: float) -> None:
        """Forget the past: it always was `value`."""
        self._newest = (-math.inf, value, value, self._newest[3])
        self._rows = np.array([self._newest], dtype=np.float64)

    def now(self) -> float:
        return one(self.at(np.array([self._clock.now()])))

    def at(self, times: Array) -> Value:
        """Values at rising `times`, shape (n,)."""
        since, value, goal, tau = self._newest
        first = float(times[0])
        if first - since > _SETTLED * tau:
            return goal
        if first >= since:
            return np.asarray(goal + (value - goal) * np.exp((since - times) / tau), dtype=np.float64)
        rows = self._rows
        row = np.maximum(np.searchsorted(rows[:, 0], times, side="right") - 1, 0)
        began, begin, goals, taus = rows[row].T
        elapsed = np.maximum(times - began, 0.0)
        return np.asarray(goals + (begin - goals) * np.exp(-elapsed / taus), dtype=np.float64)

    def last_change(self, times: Array) -> Array:
        """For each of `times` the moment of the change before it, shape (n,)."""
        row = np.maximum(np.searchsorted(self._rows[:, 0], times, side="right") - 1, 0)
        return np.asarray(self._rows[row, 0], dtype=np.float64)

    def breaks(self, start: float, stop: float) -> Sequence[float]:
        """Moments strictly between two at which it changed."""
        if self._newest[0] <= start:
            return ()
        moments = self._rows[:, 0]
        return [float(when) for when in moments[(moments > start) & (moments < stop)]]


class Dips:
    """A bad contact: from `since` on it opens now and again for 40 ms to 2 s, at moments fixed by the seed.

    Time is cut into slots; a slot has one dip at most, and it is over before the slot ends. So whether there is a
    dip at a given moment is known without having lived through the time before.
    """

    SLOT = 6.0  # seconds
    SHORTEST, LONGEST = 0.040, 2.0

    def __init__(self, seed: int, chance: float = 0.6) -> None:
        self.since = math.inf
        self.until = math.inf
        self._seed = seed
        self._chance = chance

    def during(self, times: Array) -> tuple[Array, Array]:
        """Start and length of the dip in the slot of each of `times`; start is inf where there is none."""
        slots = np.floor(times / self.SLOT).astype(np.int64)
        ratio = self.LONGEST / self.SHORTEST
        length = self.SHORTEST * ratio ** (0.5 + 0.5 * hashed(slots, self._seed + 1))
        room = self.SLOT - self.LONGEST - 1.0
        start = slots * self.SLOT + 0.5 + room * (0.5 + 0.5 * hashed(slots, self._seed + 2))
        happens = 0.5 + 0.5 * hashed(slots, self._seed) < self._chance
        happens &= (start >= self.since) & (start + length <= self.until)
        return np.where(happens, start, np.inf), length

    def at(self, times: Array, fall: float = 0.02, rise: float = 0.01) -> Value:
        """1 while the contact is made; through a dip it falls and comes back with these time constants (s)."""
        if times[-1] < self.since or times[0] > self.until + self.SLOT:
            return 1.0
        start, length = self.during(times)
        into = np.clip(times - start, 0.0, length)
        after = np.maximum(times - start - length, 0.0)
        lost = -np.expm1(-into / fall) * np.exp(-after / rise)
        return np.asarray(1.0 - lost, dtype=np.float64)

    def breaks(self, start: float, stop: float) -> Sequence[float]:
        """Moments strictly between two at which the contact opened or closed."""
        if stop < self.since or start > self.until + self.SLOT:
            return ()
        first, last = math.floor(start / self.SLOT), math.floor(stop / self.SLOT)
        begins, lengths = self.during((np.arange(first, last + 1, dtype=np.float64) + 0.5) * self.SLOT)
        corners = np.concatenate([begins, begins + lengths])
        return sorted(float(c) for c in corners[(corners > start) & (corners < stop)])
