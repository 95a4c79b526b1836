"""A simulated unit with a switch, trimmers, faults and test points, for gear that has no picture; and hands for it.

What a unit *is* comes from the module that builds it (`labsupply`, `amplifier`): laws of its points over time. Rules
kept here: laws are closed-form functions of the clock, as everywhere among the doubles; what would hurt somebody is
done all the same and written down in `incidents`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np

from benchrig.clock import Clock

from . import fittings
from .histories import Array, Relaxing, Value, one
from .interfaces import Node
from .nodes import Analogue, Resistor, Tones
from .trimmer import SimulatedTrimmer
from .world import Unknown, World, find

RISE = 0.3  # s in which the rails come up, and go down through a bleeder
Law = Callable[[Array], Value]


class Gear:
    """One unit on the bench.

    faults  name -> what grows to 1 when it is switched on, with a time constant of its own
    """

    def __init__(self, clock: Clock, seed: int, faults: Mapping[str, float], warm_up: float) -> None:
        self.clock = clock
        self.seed = seed
        self.random = np.random.default_rng(seed)
        self.trimmers: dict[str, SimulatedTrimmer] = {}
        self.faults = {name: Relaxing(clock, 0.0, tau) for name, tau in faults.items()}
        self.switched_on = False
        self.fed = True  # by the wall, or by a supply that a program switches
        self.power = Relaxing(clock, 0.0, RISE)
        self.warmth = Relaxing(clock, 0.0, warm_up)

    @property
    def powered(self) -> bool:
        return self.switched_on and self.fed

    def switch(self, on: bool) -> None:
        """The unit's own switch."""
        self.switched_on = on
        self._go()

    def feed(self, on: bool) -> None:
        """What feeds it."""
        self.fed = on
        self._go()

    def _go(self) -> None:
        goal = float(self.powered)
        if goal != self.power.goal:
            self.power.go(goal)
            self.warmth.go(goal)

    def fault(self, name: str, times: Array) -> Value:
        """How far a fault has grown, 0 to 1."""
        return self.faults[name].at(times)

    def whole(self, name: str, times: Array) -> Value:
        """What a dead thing still gives, 1 to 0."""
        return 1.0 - self.faults[name].at(times)

    def add(self, name: str, **how: Any) -> SimulatedTrimmer:
        """A trimmer, with play and wiper noise of the seed's."""
        made = SimulatedTrimmer(name, self.clock, backlash=float(self.random.uniform(0.5, 2.0)), seed=self.seed, **how)
        self.trimmers[name] = made
        return made

    def point(self, law: Law, *, resistance: float, wander: float, tones: Sequence[tuple[float, float, float]] = (),
              gain: Law | None = None) -> Node:  # fmt: skip
        """A test point that follows `law`; `wander` volts keep a meter's last digit alive; tones (V peak, Hz, rad)."""
        phases = self.random.uniform(0.0, 2.0 * np.pi, 5)
        slow = [(wander / 3.0, 0.037 * 3.1**n, float(phase)) for n, phase in enumerate(phases)]
        relaxing: list[Relaxing | SimulatedTrimmer] = [
            self.power,
            self.warmth,
            *self.faults.values(),
            *self.trimmers.values(),
        ]

        def breaks(start: float, stop: float) -> Sequence[float]:
            return sorted({moment for it in relaxing for moment in it.breaks(start, stop)})

        every = Tones.of(*slow, *tones)
        return Analogue(law, resistance=resistance, tones=every, gain=gain or self.power.at, breaks=breaks)

    def truth(self, law: Law) -> Callable[[], float]:
        """The true value of a law now."""
        return lambda: one(law(np.array([self.clock.now()])))


def nothing(times: Array) -> Value:
    """The law of a point that has only tones."""
    return 0.0


def ohms(value: Callable[[float], float]) -> Node:
    """Something that only has a resistance."""
    return Resistor(value)


class GearHands:
    """The hands at a `Gear`. `in_place` holds what was put in place."""

    def __init__(self, world: World, gear: Gear, live: Callable[[], float], limit: float) -> None:
        """`live` volts that a hand inside could touch, dangerous above `limit`."""
        self._world = world
        self._gear = gear
        self._volts, self._limit = live, limit
        self._points: dict[str, tuple[str, str]] = {}
        self.in_place: set[str] = set()
        self.marks: dict[str, float] = {}
        self.incidents: list[str] = []

    def controls(self) -> dict[str, float]:
        """Every control that can be turned, with its travel in degrees."""
        return {name: trimmer.travel for name, trimmer in self._gear.trimmers.items()}

    def turn(self, trimmer: str, degrees: float) -> float:
        """Turn a control, clockwise positive; returns the degrees it moved."""
        return self._control(trimmer).turn(degrees)

    def position(self, trimmer: str) -> float:
        """Degrees at which the slot of a control stands."""
        return self._control(trimmer).shaft

    def clean(self, trimmer: str) -> None:
        """Cleaner and a few sweeps; with the power off, as it should be done."""
        self._live(f"a hand went to {trimmer} to clean it")
        self._control(trimmer).clean()

    def tap(self, trimmer: str) -> bool:
        """Tap a control's body; True if its wiper crackles: a scratchy one."""
        control = self._control(trimmer)
        return control.roughness * control.travel > 4.0

    def mark(self, trimmer: str) -> float:
        """Mark where a control stands; returns the degrees."""
        self.marks[trimmer] = self._control(trimmer).shaft
        return self.marks[trimmer]

    def power(self, on: bool) -> None:
        """The unit's own switch."""
        self._gear.switch(on)

    def powered(self) -> bool:
        """The unit's lamp is lit."""
        return self._gear.powered

    def card(self, pattern: str) -> None:
        """This unit takes no pattern card."""
        if pattern:
            raise Unknown("This unit takes no pattern card.")

    def fit(self, what: str, there: bool = True) -> None:
        """Put something in place, or take it away."""
        (self.in_place.add if there else self.in_place.discard)(what)

    def discharge(self) -> None:
        """The bleeder stick to the reservoirs, for a moment."""
        if self._gear.powered:
            self.incidents.append(f"{self._world.clock.now():.3f} s: the reservoirs were shorted with the power on")
        else:
            self._gear.power.put(0.0)

    def probe(self, instrument: str, point: str = "", via: str = "") -> None:
        """Put an instrument's input on a test point, or lift it off ("")."""
        before = self._points.get(instrument, ("", ""))
        if before == (point, via):
            return
        node = self._world.node(point) if point else None
        self._points[instrument] = (point, via)
        self._world.jack(instrument).touch(node, self._world.clock.now())

    def probes(self) -> Mapping[str, tuple[str, str]]:
        """Where each input is: input -> (point, via)."""
        return dict(self._points)

    def fault(self, name: str, on: bool = True) -> None:
        """Break something, or mend it: a fault of the unit, or "scratchy RV1" and the like."""
        kind, _, control = name.partition(" ")
        if kind == "scratchy":
            trimmer = self._control(control)
            trimmer.roughness, trimmer.cleaned = (0.03, False) if on else (0.0005, trimmer.cleaned)
            return
        find(self._gear.faults, name, "fault").go(float(on))

    def _control(self, name: str) -> SimulatedTrimmer:
        return find(self._gear.trimmers, name, "control")

    def _live(self, act: str) -> None:
        if abs(self._volts()) > self._limit:
            self.incidents.append(f"{self._world.clock.now():.3f} s: {act} with {self._volts():.0f} V inside")


def bench_for(
    gear: Gear,
    points: Mapping[str, Node],
    truths: Mapping[str, Callable[[], float]],
    *,
    live: Law,
    limit: float,
    mains: float,
    fit: Mapping[str, str] | None = None,
    faults: Sequence[str] = (),
) -> World:
    """A world with the gear on the bench, unit off, leads hanging free.

    live, limit   what a hand inside could touch, and the volts above which that is dangerous
    fit           instrument name to a grammar of `fittings`, besides and in place of the usual ones
    faults        there from the start
    """
    world = World(gear.clock, gear.seed)
    world.nodes |= points
    world.trimmers |= gear.trimmers
    world.truths |= truths
    for name, grammar in {**fittings.USUAL, **(fit or {})}.items():
        fittings.fit(world, name, grammar, mains)
    hands = GearHands(world, gear, gear.truth(live), limit)
    world.hands = hands
    for name in faults:
        hands.fault(name)
    return world
