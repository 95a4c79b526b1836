"""One double of every grammar, wired to two known test points; in process or on real sockets and pseudo-terminals."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np
from benchrig.sim_instruments.meter_scpi import BenchMeter
from benchrig.sim_instruments.nodes import Jack
from benchrig.sim_instruments.scope_curve import CurveScopeDouble
from benchrig.sim_instruments.scope_curve_series import DPO4000
from benchrig.sim_instruments.scope_descriptor import SDS1000X, DescriptorScopeDouble
from benchrig.sim_instruments.scope_tenfield_a1 import TenFieldA1
from benchrig.sim_instruments.scope_tenfield_a2 import MSO5000, TenFieldA2
from benchrig.sim_instruments.serial_es51922 import Es51922Handheld
from benchrig.sim_instruments.serial_es51986 import Es51986Handheld
from benchrig.sim_instruments.serial_fs9721 import Fs9721Handheld
from benchrig.sim_instruments.serial_fs9922 import Fs9922Handheld
from benchrig.sim_instruments.serial_polled import PolledHandheld
from benchrig.sim_instruments.serial_prompt import PromptMeterDouble
from benchrig.sim_instruments.skerry14_camera import camera
from benchrig.sim_instruments.supply_scpi import BenchSupply
from benchrig.sim_instruments.world import World
from numpy.typing import NDArray

from benchrig.clock import Clock

LEVEL = 4.712  # volts, steady
LOW, HIGH, PERIOD, DUTY = 1.0, 6.0, 1e-3, 0.3  # of the square wave


@dataclass
class Square:
    """A square wave that stands at HIGH for the first DUTY of each period."""

    resistance: float = 0.0

    def average(self, start: float, stop: float) -> float:
        return float(self.samples(start, (stop - start) / 1000 or 1e-9, 1000).mean())

    def rms(self, start: float, stop: float) -> float:
        return float(self.samples(start, (stop - start) / 1000 or 1e-9, 1000).std())

    def samples(self, start: float, interval: float, count: int) -> NDArray[np.float64]:
        phase = np.mod(start + np.arange(count) * interval, PERIOD) / PERIOD
        return np.where(phase < DUTY, HIGH, LOW)


@dataclass
class Level:
    """A steady voltage that a test may change."""

    volts: float = LEVEL
    resistance: float = 0.0
    changes: list[tuple[float, float]] = field(default_factory=list)

    def _at(self, when: float) -> float:
        return next((volts for since, volts in reversed(self.changes) if when >= since), self.volts)

    def average(self, start: float, stop: float) -> float:
        return self._at((start + stop) / 2)

    def rms(self, start: float, stop: float) -> float:
        return 0.0

    def samples(self, start: float, interval: float, count: int) -> NDArray[np.float64]:
        return np.full(count, self._at(start))


Make = Callable[..., Any]
# name -> (driver, double, kind of connection)
DOUBLES: dict[str, tuple[str, Make, str]] = {
    "tenfield-a2": ("scope-tenfield", TenFieldA2, "tcp"),
    "tenfield-mso": ("scope-tenfield", partial(TenFieldA2, series=MSO5000), "tcp"),
    "tenfield-a1": ("scope-tenfield", TenFieldA1, "tcp"),
    "curve-tds": ("scope-curve", CurveScopeDouble, "tcp"),
    "curve-dpo": ("scope-curve", partial(CurveScopeDouble, series=DPO4000), "tcp"),
    "descriptor-c1": ("scope-descriptor", DescriptorScopeDouble, "tcp"),
    "descriptor-c2": ("scope-descriptor", partial(DescriptorScopeDouble, series=SDS1000X), "tcp"),
    "meter": ("meter-scpi", BenchMeter, "tcp"),
    "supply": ("supply-scpi", BenchSupply, "tcp"),
    "fs9721": ("fs9721", Fs9721Handheld, "serial"),
    "fs9922": ("fs9922", Fs9922Handheld, "serial"),
    "es51922": ("es51922", Es51922Handheld, "serial"),
    "es51986": ("es51986", Es51986Handheld, "serial"),
    "polled14": ("polled14", PolledHandheld, "serial"),
    "prompt": ("prompt", PromptMeterDouble, "serial"),
    "camera": ("camera-mjpeg", camera, "http"),
}


def small_bench(clock: Clock, *names: str, **options: Any) -> World:
    """A world of the doubles called `names` (all of them if none is given); `options` go to each double."""
    world = World(clock)
    world.nodes |= {"level": Level(), "square": Square()}
    for name in names or tuple(DOUBLES):
        _, make, kind = DOUBLES[name]
        world.connect(name, make(clock, _inputs(world, name), **options), kind)
    return world


def _inputs(world: World, name: str) -> dict[int, Jack]:
    if "meter" in name or name in ("fs9721", "fs9922", "es51922", "es51986", "polled14", "prompt"):
        return {1: Jack(world.node("level"))}
    return {1: Jack(world.node("square")), 2: Jack(world.node("level")), 3: Jack(), 4: Jack()}
