"""The simulated bench of the Bosun 150, the workshop's own sound amplifier: two channels, offset and idle current.

All figures are invented for it. Idle current is seen as millivolts over 0.22 ohm emitter resistors and rises while the
heat sink warms; the offset moves a little with it. `build` is the entry point `benchrig.doubles: amplifier`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial

from benchrig.clock import Clock

from .gear import Gear, Law, bench_for, nothing, ohms
from .histories import Array, Value
from .interfaces import Node
from .world import World

RAIL = 70.0  # V, each way
WARM_UP = 90.0  # s, of the heat sink
OFFSET_PER_DEGREE = 0.5e-3  # V at the output, of RV1 and RV2
IDLE_PER_DEGREE = 0.09e-3  # V over an emitter resistor, of RV3 and RV4
WARM_IDLE = 0.35  # more idle current when warm, as a part of the cold one
WARM_OFFSET = 3e-3  # V
HUM, BAD_HUM = 1e-3, 12e-3  # V RMS at the output
CHANNELS = {"L": ("RV1", "RV3"), "R": ("RV2", "RV4")}
FAULTS = {"dead +70 V": 0.05, "dead -70 V": 0.05, "hot stage L": 40.0, "hot stage R": 40.0, "hum": 0.1}
FUSES, FUSE_OHMS = ("A1 F1", "A1 F2"), 0.12  # with leads


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
    amp = Amplifier(clock, seed, tired=tired, mains=mains)
    return bench_for(
        amp, amp.points(), amp.truths(), live=partial(amp.rail, 1), limit=60.0, mains=mains, fit=fit, faults=faults
    )


class Amplifier(Gear):
    """One Bosun 150."""

    def __init__(self, clock: Clock, seed: int, *, tired: bool, mains: float) -> None:
        super().__init__(clock, seed, FAULTS, WARM_UP)
        self.mains = mains
        self.rails = RAIL * self.random.uniform(0.985, 1.015, 2)
        away = 1.0 if tired else 0.0
        self._own_offset = {name: float(self.random.uniform(-20e-3, 20e-3)) for name in CHANNELS}
        for name, (offset, idle) in CHANNELS.items():
            # Right is where the trimmer takes back the stage's own offset when warm.
            right = 135.0 - (self._own_offset[name] + WARM_OFFSET) / OFFSET_PER_DEGREE
            self.add(offset, at=right + away * float(self.random.uniform(-45.0, 45.0)))
            cold = 12e-3 / (1.0 + WARM_IDLE) / IDLE_PER_DEGREE
            self.add(idle, at=cold + away * float(self.random.uniform(-40.0, 60.0)))

    def rail(self, side: int, times: Array) -> Value:
        """Volts of the positive (1) or negative (-1) rail."""
        dead = self.whole("dead +70 V" if side > 0 else "dead -70 V", times)
        return side * float(self.rails[0 if side > 0 else 1]) * self.power.at(times) * dead

    def alive(self, times: Array) -> Value:
        """1 with both rails there."""
        return self.power.at(times) * self.whole("dead +70 V", times) * self.whole("dead -70 V", times)

    def offset(self, name: str, times: Array) -> Value:
        """DC volts at the output of a channel; with one rail gone it leans on the other."""
        trimmer = self.trimmers[CHANNELS[name][0]]
        own = self._own_offset[name] + WARM_OFFSET * self.warmth.at(times)
        set_ = OFFSET_PER_DEGREE * (trimmer.at(times) - 135.0)
        leaning = 1.8 * (self.fault("dead -70 V", times) - self.fault("dead +70 V", times)) * self.power.at(times)
        return (own + set_) * self.alive(times) + leaning

    def idle(self, name: str, times: Array) -> Value:
        """Volts over an emitter resistor of a channel."""
        cold = IDLE_PER_DEGREE * self.trimmers[CHANNELS[name][1]].at(times)
        hot = 1.0 + WARM_IDLE * self.warmth.at(times) + 6.0 * self.fault(f"hot stage {name}", times)
        return cold * hot * self.alive(times)

    def hum(self, times: Array) -> Value:
        """Volts RMS at the outputs."""
        return (HUM + (BAD_HUM - HUM) * self.fault("hum", times)) * self.alive(times)

    def points(self) -> dict[str, Node]:
        twice = 2.0 * self.mains
        made: dict[str, Node] = {
            "A1 TP1": self.point(partial(self.rail, 1), resistance=0.2, wander=2e-3, tones=[(0.3, twice, 0.4)]),
            "A1 TP2": self.point(partial(self.rail, -1), resistance=0.2, wander=2e-3, tones=[(0.3, twice, 1.4)]),
        }
        for name in CHANNELS:
            made[f"A2 TP1{name}"] = self.point(partial(self.idle, name), resistance=1.0, wander=1e-5)
            made[f"A2 TP2{name}"] = self.point(partial(self.offset, name), resistance=10.0, wander=3e-5)
            made[f"A2 TP3{name}"] = self.point(
                nothing, resistance=10.0, wander=1e-5, tones=[(2.0**0.5, twice, 0.2)], gain=self.hum
            )
        made |= {name: ohms(lambda when: FUSE_OHMS) for name in FUSES}
        return made

    def truths(self) -> dict[str, Callable[[], float]]:
        """Every true value by the name of its point; hum as RMS."""
        table: dict[str, Law] = {"A1 TP1": partial(self.rail, 1), "A1 TP2": partial(self.rail, -1)}
        for name in CHANNELS:
            table[f"A2 TP1{name}"] = partial(self.idle, name)
            table[f"A2 TP2{name}"] = partial(self.offset, name)
            table[f"A2 TP3{name}"] = self.hum
        found = {name: self.truth(law) for name, law in table.items()}
        fuses: dict[str, Callable[[], float]] = {name: lambda: FUSE_OHMS for name in FUSES}
        return {**found, **fuses, "powered": lambda: float(self.powered)}
