"""A cheap bench for the trim benchmarks: one trimmer, one meter, one hand, in steps of 20 ms.

The trimmer has play, a first-order lag, end stops, creep after release and, if asked, a scratchy wiper; the meter
averages over an aperture, adds noise, rounds to its counts and is late. Values are degrees of the travel, so that a
window is a part of the travel whatever the trimmer drives.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field

DT = 0.02
CREEPS = 1.5  # s, time constant of the creep after release


@dataclass(slots=True)
class Knob:
    """travel, backlash in degrees; lag in seconds; creep as a part of each move; scratch in degrees.

    `skips` counts how often the wiper lost contact; `blocked` says that the last turn ran into a stop.
    """

    travel: float
    backlash: float
    lag: float = 0.06
    creep: float = 0.0
    scratch: float = 0.0
    at: float = 0.0
    seed: int = 0
    shaft: float = field(init=False)
    wiper: float = field(init=False)
    value: float = field(init=False)
    spring: float = 0.0  # of the last moves, what has yet to creep
    skips: int = 0
    blocked: bool = False
    skip: float = 0.0
    skip_until: float = -1.0
    now: float = 0.0
    random: random.Random = field(init=False)

    def __post_init__(self) -> None:
        self.shaft = self.wiper = self.value = self.at
        self.random = random.Random(self.seed)

    def step(self, turned: float) -> float:
        """Turn, let DT pass, and give what is tapped."""
        self.now += DT
        play = self.backlash / 2.0
        wanted = self.shaft + turned
        self.shaft = min(max(wanted, -play), self.travel + play)
        self.blocked = self.shaft != wanted
        before = self.wiper
        wiper = min(max(self.wiper, self.shaft - play), self.shaft + play)
        self.wiper = min(max(wiper, 0.0), self.travel)
        self.spring = (self.spring + self.creep * (self.wiper - before)) * (1.0 - DT / CREEPS)
        self.value += (self.wiper - self.spring - self.value) * (1.0 - math.exp(-DT / self.lag))
        return self.value + self._skipping(self.wiper != before)

    def _skipping(self, moving: bool) -> float:
        """Contact lost for 20 to 200 ms at a time while the wiper moves over dirt."""
        if self.scratch == 0.0:
            return 0.0
        if self.now >= self.skip_until and moving and self.random.random() < DT * 4.0:
            self.skip = self.random.gauss(0.0, self.scratch)
            self.skips += 1
            self.skip_until = self.now + self.random.uniform(0.02, 0.2)
        return self.skip if self.now < self.skip_until else 0.0


@dataclass(slots=True)
class Probe:
    """A meter: `rate` readings per second, each the mean over `aperture`, with `noise`, in counts of `count`."""

    rate: float
    aperture: float
    noise: float
    count: float
    seed: int = 0
    latency: float = 0.02
    total: float = 0.0
    samples: int = 0
    ends: float = field(init=False)
    random: random.Random = field(init=False)

    def __post_init__(self) -> None:
        self.random = random.Random(self.seed)
        self.ends = self.random.uniform(0.3, 1.0) / self.rate

    def step(self, now: float, tapped: float) -> tuple[float, float] | None:
        """(end of the measurement, value) when one ends now."""
        if now > self.ends - self.aperture:
            self.total += tapped
            self.samples += 1
        if now < self.ends:
            return None
        mean = self.total / max(1, self.samples) + self.random.gauss(0.0, self.noise)
        self.total, self.samples = 0.0, 0
        self.ends += 1.0 / self.rate
        return now, round(mean / self.count) * self.count
