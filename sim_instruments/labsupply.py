"""The simulated bench of the Halyard 30, the workshop's own linear laboratory supply: reference, current limit, ripple.

All figures are invented for it. Its output stands at the 30 V setting, once without and once with 2 A drawn; the
current limit is seen over a 0.1 ohm shunt. `build` is the entry point `benchrig.doubles: labsupply`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial

from benchrig.clock import Clock

from .gear import Gear, Law, bench_for, nothing, ohms
from .histories import Array, Value
from .interfaces import Node
from .world import World

SECONDARY = 34.0  # V RMS
OUT, DROP = 30.0, 4e-3  # V at the output; what 2 A take of it
OUT_PER_TURN = 0.12  # V, of RV1, which has twenty
SHUNT, SHUNT_PER_DEGREE = 0.2, 0.6e-3  # V at 2 A, of RV2
WARM_UP, CREEP = 240.0, 3e-3  # s; V that the reference gains on the way
RIPPLE, BAD_RIPPLE = 0.8e-3, 9e-3  # V RMS
FAULTS = {"dead half": 0.05, "dead +12 V": 0.05, "dead -12 V": 0.05, "leaky capacitor": 0.2, "worn regulator": 0.2}


def build(
    clock: Clock,
    seed: int = 0,
    *,
    tired: bool = True,
    mains: float = 50.0,
    fit: Mapping[str, str] | None = None,
    faults: Sequence[str] = (),
) -> World:
    """The bench, at `clock.now()`; unit off, leads free. `tired` False: a unit that is already right."""
    supply = LabSupply(clock, seed, tired=tired, mains=mains)
    return bench_for(
        supply, supply.points(), supply.truths(), live=supply.secondary, limit=30.0, mains=mains, fit=fit, faults=faults
    )


class LabSupply(Gear):
    """One Halyard 30."""

    def __init__(self, clock: Clock, seed: int, *, tired: bool, mains: float) -> None:
        super().__init__(clock, seed, FAULTS, WARM_UP)
        self.mains = mains
        away = 1.0 if tired else 0.0
        self._aux = 12.0 * self.random.uniform(0.985, 1.015, 2)
        self._own = float(self.random.uniform(-0.4, 0.4))  # V, of the reference itself
        right = 10.0 - (self._own + CREEP) / OUT_PER_TURN
        self.add("RV1", travel=7200.0, clutch=True, at=360.0 * (right + away * float(self.random.uniform(-3.0, 3.0))))
        self.add("RV2", at=135.0 + away * float(self.random.uniform(-60.0, 60.0)))

    def secondary(self, times: Array) -> Value:
        """Volts RMS of the half that is measured."""
        return SECONDARY * self.power.at(times) * self.whole("dead half", times)

    def aux(self, side: int, times: Array) -> Value:
        """Volts of an auxiliary rail."""
        dead = self.whole("dead +12 V" if side > 0 else "dead -12 V", times)
        return side * float(self._aux[0 if side > 0 else 1]) * self.power.at(times) * dead

    def alive(self, times: Array) -> Value:
        """1 where the control circuit has both its rails."""
        return self.power.at(times) * self.whole("dead +12 V", times) * self.whole("dead -12 V", times)

    def out(self, amps: float, times: Array) -> Value:
        """Volts at the output at the 30 V setting with `amps` drawn."""
        turns = self.trimmers["RV1"].at(times) / 360.0 - 10.0
        level = OUT + self._own + OUT_PER_TURN * turns + CREEP * self.warmth.at(times)
        sag = DROP * amps / 2.0 * (1.0 + 25.0 * self.fault("worn regulator", times))
        return (level - sag) * self.alive(times)

    def shunt(self, times: Array) -> Value:
        """Volts over the shunt at the limit of 2 A."""
        return (SHUNT + SHUNT_PER_DEGREE * (self.trimmers["RV2"].at(times) - 135.0)) * self.alive(times)

    def ripple(self, times: Array) -> Value:
        """Volts RMS at the loaded output."""
        return (RIPPLE + (BAD_RIPPLE - RIPPLE) * self.fault("leaky capacitor", times)) * self.alive(times)

    def points(self) -> dict[str, Node]:
        line, twice = self.mains, 2.0 * self.mains
        rms = 2.0**0.5
        tone = [(rms, line, 0.0)]
        return {
            "F1": ohms(lambda when: 0.1),
            "earth": ohms(lambda when: 0.06),
            "T1 half": self.point(nothing, resistance=0.5, wander=0.0, tones=tone, gain=self.secondary),
            "TP1": self.point(partial(self.aux, 1), resistance=0.2, wander=2e-4),
            "TP2": self.point(partial(self.aux, -1), resistance=0.2, wander=2e-4),
            "OUT open": self.point(partial(self.out, 0.0), resistance=0.01, wander=1e-4),
            "OUT loaded": self.point(partial(self.out, 2.0), resistance=0.01, wander=1e-4),
            "OUT ripple": self.point(
                nothing, resistance=0.01, wander=0.0, tones=[(rms, twice, 0.3)], gain=self.ripple
            ),
            "SHUNT": self.point(self.shunt, resistance=0.1, wander=1e-6),
        }  # fmt: skip

    def truths(self) -> dict[str, Callable[[], float]]:
        """Every true value by the name of its point."""
        laws: dict[str, Law] = {
            "T1 half": self.secondary,
            "TP1": partial(self.aux, 1),
            "TP2": partial(self.aux, -1),
            "OUT open": partial(self.out, 0.0),
            "OUT loaded": partial(self.out, 2.0),
            "OUT ripple": self.ripple,
            "SHUNT": self.shunt,
        }
        found = {name: self.truth(law) for name, law in laws.items()}
        return {**found, "F1": lambda: 0.1, "earth": lambda: 0.06, "powered": lambda: float(self.powered)}
