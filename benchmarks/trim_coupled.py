"""Two coupled trimmers by hand: turned in turn by raw digits, against told which one and how far, with the cue.

    python benchmarks/trim_coupled.py [--runs 500] [--rate 10]

A hand move is one turning of the screw between two rests. Both arms have the same person (`trim_people.Ballistic`,
with a feel of her own for each of the two screws), the same single-turn
trimmers with backlash and the same meter, which shows both quantities. With raw digits the person sets the first
quantity, then the second, then looks at the first again, and so on; it counts as settled when both stand inside, by
digits and by truth, for the hold time. With the advice the trim engine accepts each setting; it counts as settled
when no further turn is advised, and as good if both are then truly inside.
"""

from __future__ import annotations

import argparse
import math
import random
import statistics
from dataclasses import dataclass, field, replace

import numpy as np
from trim_cues import Screen
from trim_moves import RIGHT, TIMER
from trim_people import NOTHING, Ballistic, Sight, Traits
from trim_world import DT, Knob, Probe

from benchrig.readings import Reading
from benchrig.trim import coupled, engine
from benchrig.trim.types import Accepted, Goal, Known, Measured

TRAVEL = 270.0
COUPLED = (0.05, 0.15, 0.3, 0.7)
LIMIT = 300.0
HOLD = 1.5
LEARNING = 0.5  # s of hold for a turn that is only to show what a trimmer does, as in a session
SETTLE = 0.15
QUIET = 60.0  # windows to one standard deviation of a reading: a scope times a pulse far more finely still
SPARE = 0.8  # of the windows, as a session aims for
GOALS = (Goal(0.0, -SPARE, SPARE, "1", HOLD, SETTLE),) * 2


@dataclass
class Bench:
    """Two knobs, what they do to two quantities (in half windows), and a meter for each."""

    effects: np.ndarray
    knobs: list[Knob]
    probes: list[Probe]
    now: float = 0.0
    moves: int = 0
    resting: bool = True
    shown: list[Reading | None] = field(default_factory=lambda: [None, None])

    @property
    def truth(self) -> np.ndarray:
        return self._of([knob.value for knob in self.knobs])

    @property
    def inside(self) -> bool:
        return bool(np.all(np.abs(self.truth) <= 1.0))

    def step(self, which: int, turned: float) -> list[Reading | None]:
        """Turn one knob, let a moment pass; the readings that came."""
        self.now += DT
        self.moves += self.resting and turned != 0.0
        self.resting = turned == 0.0
        tapped = self._of([knob.step(turned if at == which else 0.0) for at, knob in enumerate(self.knobs)])
        came: list[Reading | None] = []
        for at, (probe, value) in enumerate(zip(self.probes, tapped, strict=True)):
            found = probe.step(self.now, float(value))
            reading = found and Reading(found[1], "1", found[0], resolution=probe.count, aperture=probe.aperture)
            came.append(reading or None)
            self.shown[at] = reading or self.shown[at]
        return came

    def _of(self, degrees: list[float]) -> np.ndarray:
        return np.asarray(self.effects @ (np.array(degrees) / TRAVEL - RIGHT))


@dataclass(frozen=True)
class Run:
    """`good`: settled, and truly inside."""

    seconds: float
    moves: int
    good: bool


def made(seed: int, rate: float, effects: np.ndarray) -> tuple[Bench, list[Ballistic]]:
    rng = random.Random(seed)
    traits = Traits.sampled(rng, TRAVEL)
    knobs = [_knob(rng, seed) for _ in range(2)]
    probes = [Probe(rate, 0.5 / rate, 2.0 / QUIET, 0.02, seed=seed) for _ in range(2)]
    hands = [Ballistic(traits, seed + at, 1.0 / rate, 0.5 / rate) for at in range(2)]
    for at, hand in enumerate(hands):
        hand.gain = traits.guess * effects[at, at] / TRAVEL
    return Bench(effects, knobs, probes), hands


def _knob(rng: random.Random, seed: int) -> Knob:
    creep, at = rng.uniform(0.001, 0.005), rng.uniform(0.1, 0.9) * TRAVEL
    return Knob(TRAVEL, rng.uniform(0.5, 2.0), creep=creep, at=at, seed=seed)


def alternately(seed: int, rate: float, effects: np.ndarray) -> Run:
    """By raw digits, one after the other, until both stand inside."""
    bench, hands = made(seed, rate, effects)
    which, rested, both, number = 0, 0.0, 0.0, 0
    while bench.now < LIMIT:
        reading = bench.shown[which]
        seen = Sight(None if reading is None else -(reading.value or 0.0), 1.0, number)
        turned = hands[which].step(bench.now, seen)
        number += any(it is not None for it in bench.step(which, turned))
        if bench.knobs[which].blocked:
            hands[which].blocked()
        values = [it.value if it else math.inf for it in bench.shown]
        if turned or abs(values[which] or 0.0) > 1.0:
            rested = bench.now
        if turned or max(abs(value or 0.0) for value in values) > 1.0 or not bench.inside:
            both = bench.now
        if bench.now - both >= HOLD:
            return Run(bench.now, bench.moves, True)
        if bench.now - rested >= HOLD:
            which, rested = 1 - which, bench.now
    return Run(LIMIT, bench.moves, False)


def advised(seed: int, rate: float, effects: np.ndarray) -> Run:
    """As told: which trimmer, and until what is read."""
    bench, hands = made(seed, rate, effects)
    spans = [effects[at, at] * math.exp(random.Random(seed).gauss(0.0, 0.5)) for at in range(2)]
    goals = [replace(goal, span=span) for goal, span in zip(GOALS, spans, strict=True)]
    state, last = coupled.start(goals), None
    known: dict[tuple[int, int], Known] = {}
    for _ in range(20):
        before = at_rest(bench)
        advice = coupled.advise(state, before, last)
        if advice is None:
            return Run(bench.now, bench.moves, bench.inside)
        last = advice.trimmer
        key = (last, advice.quantity)
        found = trim(bench, hands[last], advice, known.get(key))
        if found is None:
            break
        known[key] = found
        state = coupled.turned(state, last, before, at_rest(bench))
    return Run(LIMIT, bench.moves, False)


def trim(bench: Bench, hand: Ballistic, advice: coupled.Advice, known: Known | None) -> Known | None:
    """Turn as cued until the engine accepts; what is known of the screw then, None if it never does."""
    first = hand.ask_done
    goal = replace(advice.goal, hold=LEARNING) if advice.learning else advice.goal
    state, seen, ticks, number = engine.start(goal, bench.now, known), NOTHING, 0, 0
    screen = Screen("bar", goal, (goal.high - goal.low) / 2.0, random.Random(1))
    while bench.now < LIMIT:
        turned = hand.step(bench.now, seen)
        reading = bench.step(advice.trimmer, turned)[advice.quantity]
        if bench.knobs[advice.trimmer].blocked:
            hand.blocked()
        if reading is not None:
            state, effects = engine.step(state, Measured(reading, bench.now))
            if any(isinstance(it, Accepted) for it in effects):
                return engine.learned(state)
        number += reading is not None
        ticks += 1
        if ticks % 5 == 0:
            shown = screen.shows(engine.view(state, bench.now), number)
            seen = replace(shown, ask=first + shown.ask)
    return None


def at_rest(bench: Bench) -> list[float]:
    """The mean of three readings of each quantity, hands off."""
    taken: list[list[float]] = [[], []]
    while min(map(len, taken)) < 3 and bench.now < LIMIT:
        for row, reading in zip(taken, bench.step(0, 0.0), strict=True):
            if reading is not None and reading.value is not None:
                row.append(reading.value)
    return [statistics.fmean(row) if row else math.inf for row in taken]


def strong(coupling: float) -> np.ndarray:
    """Each moves the other's by this part of its own."""
    return np.array([[20.0, 20.0 * coupling], [20.0 * coupling, 20.0]])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=500)
    parser.add_argument("--rate", type=float, default=10.0, help="readings per second")
    parser.add_argument("--first", type=int, default=0, help="the first seed; another one while developing")
    args = parser.parse_args()
    print(f"{args.runs} runs a row, {args.rate:g} readings/s: hand moves and seconds, median and 90th percentile")
    print(f"{'':26} {'alternately':>24} {'advised':>24} {'moves':>6} {'out':>4}")
    worlds = [("drive timer, RV43 and RV44", TIMER), *((f"coupled by {it}", strong(it)) for it in COUPLED)]
    for name, effects in worlds:
        arms = [
            [arm(seed, args.rate, effects) for seed in range(args.first, args.first + args.runs)]
            for arm in (alternately, advised)
        ]
        medians = [statistics.median(run.moves for run in arm) for arm in arms]
        lost = sum(not run.good and run.seconds < LIMIT for run in arms[1])
        cells = " ".join(f"{_spread([r.moves for r in arm])}  {_spread([r.seconds for r in arm])}" for arm in arms)
        print(f"{name:26} {cells} {medians[1] / medians[0]:6.2f} {lost:4d}", flush=True)


def _spread(values: list[float]) -> str:
    return f"{statistics.median(values):5.1f} {sorted(values)[int(0.9 * len(values))]:5.1f}"


if __name__ == "__main__":
    main()
