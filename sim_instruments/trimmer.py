"""A trimmer under a screwdriver: what the shaft does, what the wiper does, and when.

Rules kept here: positions are functions of the clock, in closed form, and may be asked about the recent past;
two questions about the same moment get the same answer; the same seed gives the same wiper noise.

The wiper follows the shaft through play (backlash), stays at the end of its track, and the voltage it taps
creeps to its new value with a short lag. While it moves, a scratchy track adds noise that cleaning removes.
Contact resistance variation of cermet trimmers is 1 to 3 % on data sheets; dirt makes it worse.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from benchrig.clock import Clock

Value = float | NDArray[np.float64]

_KEPT = 600  # moves remembered; a hand makes about twenty a second, an instrument looks back a second or two
_SETTLED = 36.0  # lags after which exp(-t/lag) is below the resolution of a double
_NOISE_TAIL = 0.08  # seconds after a move in which a scratchy wiper still crackles
_NOISE_SLOT = 0.002  # seconds for which one crackle lasts


def hashed(index: NDArray[np.int64], seed: int) -> NDArray[np.float64]:
    """Numbers evenly spread over -1..+1 that depend on (index, seed) only; `index` shape (n,), n >= 1.

    The mixing steps are the published splitmix64 finaliser (Steele, Lea and Flood 2014).
    """
    z = index.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15) + np.uint64(seed * 0xD1B54A32D192ED03 % 2**64)
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return (z ^ (z >> np.uint64(31))).astype(np.float64) / 2.0**63 - 1.0


class Trimmer:
    """One control that a hand can turn.

    travel     degrees from end to end: 270 for a single turn, 7200 for twenty
    at         degrees at which it is found
    backlash   degrees the shaft moves on a reversal before the wiper follows
    lag        seconds; time constant with which the tapped value follows the wiper
    roughness  wiper noise while moving, as a fraction of the travel (peak); `clean` makes it small
    clutch     True: the screw turns on at the end of the track (multi-turn); False: a hard stop
    """

    def __init__(
        self,
        name: str,
        clock: Clock,
        *,
        travel: float = 270.0,
        at: float = 135.0,
        backlash: float = 1.0,
        lag: float = 0.06,
        roughness: float = 0.0005,
        clutch: bool = False,
        seed: int = 0,
    ) -> None:
        if not 0.0 <= at <= travel:
            raise ValueError(f"{name}: {at:g} degrees is outside the travel of 0 .. {travel:g}.")
        self.name = name
        self.travel = travel
        self.backlash = backlash
        self.lag = lag
        self.roughness = roughness
        self.clutch = clutch
        self.cleaned = False
        self.turned = 0.0  # degrees in all, both ways: wear
        self._clock = clock
        self._seed = seed
        self._shaft = at
        # Rows of (moment, tapped value then, where the wiper went). Replaced whole, never changed, so that a reader
        # in another thread sees either the old or the new history.
        self._moves = np.array([(-math.inf, at, at)], dtype=np.float64)

    @property
    def shaft(self) -> float:
        """Degrees at which the screw slot stands: what a mark on the shaft shows."""
        return self._shaft

    @property
    def last_move(self) -> float:
        """Clock time of the wiper's newest move; minus infinity if it was never touched."""
        return float(self._moves[-1, 0])

    def turn(self, degrees: float) -> float:
        """Turn the shaft now; clockwise is positive. Returns the degrees it moved: fewer at a hard stop."""
        if not math.isfinite(degrees):
            raise ValueError(f"{self.name}: cannot turn by {degrees}.")
        play = self.backlash / 2.0
        wiper = float(self._moves[-1, 2])
        wanted = self._shaft + degrees
        reached = min(max(wanted, -play), self.travel + play)
        moved = degrees if self.clutch else reached - self._shaft
        self._shaft = reached
        self.turned += abs(moved)
        wiper = min(max(wiper, reached - play), reached + play)
        self._go(min(max(wiper, 0.0), self.travel))
        return moved

    def set(self, degrees: float) -> None:
        """Put shaft and wiper at `degrees` at once: how a unit was found, not something a hand does."""
        self._shaft = min(max(degrees, 0.0), self.travel)
        self._moves = np.array([(-math.inf, self._shaft, self._shaft)], dtype=np.float64)

    def clean(self) -> None:
        """Contact cleaner and a few sweeps: the track is quiet from now on, but the setting moved a little."""
        self.cleaned = True
        self.roughness = min(self.roughness, 0.0002)
        nudge = float(hashed(np.array([7], dtype=np.int64), self._seed)[0])
        self.turn(math.copysign(0.01 * self.travel + self.backlash, nudge))

    def position(self, when: float | None = None) -> float:
        """Degrees of the tapped value at `when` (now if None), without wiper noise."""
        moment = self._clock.now() if when is None else when
        found = self._smooth(np.array([moment], dtype=np.float64))
        return found if isinstance(found, float) else float(found[0])

    def at(self, times: NDArray[np.float64]) -> Value:
        """Degrees of the tapped value at rising `times`, shape (n,), wiper noise included.

        One float where nothing changes over all of them, which is nearly always and cheap to go on with.
        """
        found = self._smooth(times)
        if isinstance(found, float) or self.roughness <= 0.0:
            return found
        return found + self._crackle(times)

    def fraction(self, times: NDArray[np.float64]) -> Value:
        """As `at`, as 0..1 of the travel."""
        return self.at(times) / self.travel

    def breaks(self, start: float, stop: float) -> list[float]:
        """Moments strictly between `start` and `stop` at which it was turned."""
        if self._moves[-1, 0] <= start:
            return []
        moments = self._moves[:, 0]
        return [float(when) for when in moments[(moments > start) & (moments < stop)]]

    def _go(self, wiper: float) -> None:
        if wiper == self._moves[-1, 2]:
            return
        now = self._clock.now()
        self._moves = np.vstack([self._moves[-_KEPT:], (now, self.position(now), wiper)])

    def _smooth(self, times: NDArray[np.float64]) -> Value:
        moves = self._moves
        if times[0] - moves[-1, 0] > _SETTLED * max(self.lag, _NOISE_TAIL):
            return float(moves[-1, 2])
        row = np.maximum(np.searchsorted(moves[:, 0], times, side="right") - 1, 0)
        since, begin, end = moves[row].T
        elapsed = np.maximum(times - since, 0.0)
        return np.asarray(end + (begin - end) * np.exp(-elapsed / self.lag), dtype=np.float64)

    def _crackle(self, times: NDArray[np.float64]) -> NDArray[np.float64]:
        moments = self._moves[:, 0]
        row = np.maximum(np.searchsorted(moments, times, side="right") - 1, 0)
        elapsed = np.maximum(times - moments[row], 0.0)
        slots = np.floor(times / _NOISE_SLOT).astype(np.int64)
        loud = self.roughness * self.travel * np.exp(-elapsed / _NOISE_TAIL)
        return np.asarray(loud * hashed(slots, self._seed), dtype=np.float64)
