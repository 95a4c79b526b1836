"""Which simulated instruments there are to put on a bench: one name for each grammar, and how it is wired and served.

Each one on a bench is a little off, as instruments are: how much is drawn from the bench's seed. One that is made by
itself is right.

A bare grammar name is its usual variant and the name of the driver that speaks it; the others are variants.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

from .meter_scpi import BenchMeter
from .nodes import Jack
from .scope_curve import CurveScopeDouble
from .scope_curve_series import DPO4000
from .scope_descriptor import SDS1000X, DescriptorScopeDouble
from .scope_tenfield_a1 import TenFieldA1
from .scope_tenfield_a2 import MSO5000, TenFieldA2
from .serial_es51922 import Es51922Handheld
from .serial_es51986 import Es51986Handheld
from .serial_fs9721 import Fs9721Handheld
from .serial_fs9922 import Fs9922Handheld
from .serial_polled import PolledHandheld
from .serial_prompt import PromptMeterDouble
from .skerry14_camera import camera
from .world import World, find

SCOPE_CHANNELS = 4


@dataclass(frozen=True, slots=True)
class Fitting:
    """One kind of instrument: how it is made (clock, inputs, seed), how it is served, how many inputs it has.

    `mains` tells whether its maker wants to know the mains frequency.
    """

    make: Callable[..., Any]
    served: str
    channels: int = 0  # 0: one input, called like the instrument
    mains: bool = False


FITTINGS: Mapping[str, Fitting] = {
    "scope-tenfield": Fitting(TenFieldA2, "tcp", SCOPE_CHANNELS),
    "scope-tenfield-mso": Fitting(partial(TenFieldA2, series=MSO5000), "tcp", SCOPE_CHANNELS),
    "scope-tenfield-a1": Fitting(TenFieldA1, "tcp", SCOPE_CHANNELS),
    "scope-curve": Fitting(CurveScopeDouble, "tcp", SCOPE_CHANNELS),
    "scope-curve-dpo": Fitting(partial(CurveScopeDouble, series=DPO4000), "tcp", SCOPE_CHANNELS),
    "scope-descriptor": Fitting(DescriptorScopeDouble, "tcp", SCOPE_CHANNELS),
    "scope-descriptor-c2": Fitting(partial(DescriptorScopeDouble, series=SDS1000X), "tcp", SCOPE_CHANNELS),
    "meter-scpi": Fitting(BenchMeter, "tcp", mains=True),
    "meter-scpi-serial": Fitting(partial(BenchMeter, serial=True), "visa serial", mains=True),
    "fs9721": Fitting(Fs9721Handheld, "serial"),
    "fs9922": Fitting(Fs9922Handheld, "serial"),
    "es51922": Fitting(Es51922Handheld, "serial"),
    "es51986": Fitting(Es51986Handheld, "serial"),
    "polled14": Fitting(PolledHandheld, "serial"),
    "prompt": Fitting(PromptMeterDouble, "serial"),
    "camera-mjpeg": Fitting(camera, "http"),
}

# What is on a bench unless its maker says otherwise: instrument name to grammar.
USUAL: Mapping[str, str] = {"scope": "scope-tenfield", "meter": "meter-scpi", "handheld": "fs9721"}


def drawn_error(seed: str) -> float:
    """How far off one instrument is, as a part of what its data sheet allows: -1 to +1.

    Normal, with the limits at two standard deviations and nothing beyond (a limit taken for 95 %: common practice).
    """
    return max(-1.0, min(1.0, random.Random(f"calibration {seed}").gauss(0.0, 0.5)))


def fit(world: World, name: str, grammar: str, mains: float) -> list[str]:
    """Put an instrument called `name` on the bench; returns the names of its inputs, which hang free.

    Raises Unknown, with the grammars there are, for one that is none.
    """
    fitting = find(FITTINGS, grammar, "simulated instrument")
    channels = range(1, fitting.channels + 1)
    inputs = {n: Jack() for n in channels} or {1: Jack()}
    jacks = {f"{name}.{n}" if fitting.channels else name: jack for n, jack in inputs.items()}
    world.jacks |= jacks
    more = {"mains": mains} if fitting.mains else {}
    double = fitting.make(world.clock, inputs, seed=world.seed, **more)
    double.error = drawn_error(f"{world.seed} {name}")
    world.connect(name, double, fitting.served)
    return list(jacks)
