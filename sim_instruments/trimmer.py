"""A trimmer under a screwdriver: what the shaft does, what the wiper does, and when.

Rules kept here: positions are functions of the clock, in closed form, and may be asked about the recent past;
two questions about the same moment get the same answer; the same seed gives the same wiper noise.

The wiper follows the shaft through play (backlash), stays at the end of its track, and the voltage it taps
creeps to its new value with a short lag. While it moves, a scratchy track adds noise that cleaning removes.
Contact resistance variation of cermet trimmers is 1 to 3 % on data sheets; dirt makes it worse.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from benchrig.clock import Clock

from .histories import Array, Relaxing, Value, hashed, one

_NOISE_TAIL = 0.08  # seconds after a move in which a scratchy wiper still crackles
_NOISE_SLOT = 0.002  # seconds for which one crackle lasts
_QUIET = 36.0 * _NOISE_TAIL  # seconds after which nothing is left of it


class SimulatedTrimmer:
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
        self.roughness = roughness
        self.clutch = clutch
        self.cleaned = False
        self.moved: Callable[[], None] | None = None  # called after each move of the wiper
        self.turned = 0.0  # degrees in all, both ways: wear
        self._clock = clock
        self._seed = seed
        self._shaft = at
        self._wiper = Relaxing(clock, at, lag)

    @property
    def shaft(self) -> float:
        """Degrees at which the screw slot stands: what a mark on the shaft shows."""
        return self._shaft

    @property
    def resting(self) -> float:
        """Degrees at which the tapped value will come to rest."""
        return self._wiper.goal

    def turn(self, degrees: float) -> float:
        """Turn the shaft now; clockwise is positive. Returns the degrees it moved: fewer at a hard stop."""
        if not math.isfinite(degrees):
            raise ValueError(f"{self.name}: cannot turn by {degrees}.")
        play = self.backlash / 2.0
        reached = min(max(self._shaft + degrees, -play), self.travel + play)
        moved = degrees if self.clutch else reached - self._shaft
        self._shaft = reached
        self.turned += abs(moved)
        followed = min(max(self._wiper.goal, reached - play), reached + play)
        wiper = min(max(followed, 0.0), self.travel)
        if wiper != self._wiper.goal:
            self._wiper.go(wiper)
            if self.moved is not None:
                self.moved()
        return moved

    def set(self, degrees: float) -> None:
        """Put shaft and wiper at `degrees` for good: how a unit is found, not something a hand does."""
        self._shaft = min(max(degrees, 0.0), self.travel)
        self._wiper.put(self._shaft)

    def clean(self) -> None:
        """Contact cleaner and a few sweeps: the track is quiet from now on, but the setting moved a little."""
        self.cleaned = True
        self.roughness = min(self.roughness, 0.0002)
        nudge = float(hashed(np.array([7], dtype=np.int64), self._seed)[0])
        self.turn(math.copysign(0.01 * self.travel + self.backlash, nudge))

    def position(self, when: float | None = None) -> float:
        """Degrees of the tapped value at `when` (now if None), without wiper noise."""
        return one(self._wiper.at(np.array([self._clock.now() if when is None else when])))

    def at(self, times: Array) -> Value:
        """Degrees of the tapped value at rising `times`, shape (n,), wiper noise included.

        One float where nothing changes over all of them, which is nearly always and cheap to go on with.
        """
        found = self._wiper.at(times)
        if self.roughness <= 0.0 or times[0] - self._wiper.changed > _QUIET:
            return found
        elapsed = np.maximum(times - self._wiper.last_change(times), 0.0)
        loud = self.roughness * self.travel * np.exp(-elapsed / _NOISE_TAIL)
        slots = np.floor(times / _NOISE_SLOT).astype(np.int64)
        return np.asarray(found + loud * hashed(slots, self._seed), dtype=np.float64)

    def fraction(self, times: Array) -> Value:
        """As `at`, as 0..1 of the travel."""
        return self.at(times) / self.travel

    def breaks(self, start: float, stop: float) -> Sequence[float]:
        """Moments strictly between two at which the wiper was moved."""
        return self._wiper.breaks(start, stop)
