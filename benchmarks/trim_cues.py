"""The cue against raw digits: the same simulated people, trimmers and meters, by what they see or hear.

    python benchmarks/trim_cues.py [--runs 200] [--first SEED] [--models crossover,ballistic,glancing] [--arms ...]

Arms: raw digits; words alone (spoken or read, no number); the bar (words and the number); tones (direction in the
words, distance as the beat lets it be heard). An arm with a cue ends when the trim engine accepts, and the truth is
looked at then. Raw digits have it easier: they end as soon as the hand has rested for the hold time, every reading
since was inside, and the true value is inside.

Nothing is censored: a run goes on for `LIMIT` seconds, and those that never end count as longer than any other; their
share stands beside the percentiles. A percentile among them is printed as ">300".

Seeds of the figures in the table of bars come from a number that is in no file: `--first` is drawn anew where it is not
given, and printed.
"""

from __future__ import annotations

import argparse
import math
import random
import secrets
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from trim_people import MODELS, NOTHING, Sight, Traits
from trim_world import DT, Knob, Probe

from benchrig.readings import Reading
from benchrig.trim import engine
from benchrig.trim.types import Accepted, EndOfTravel, Goal, Known, Measured, Way

LIMIT = 300.0
HUNT = 120.0
ARMS = ("raw", "words", "bar", "tone")
HEARD = 0.05  # a beat is heard to change by so much (a few per cent; common practice, no source)


@dataclass(frozen=True)
class Case:
    """Trimmer, meter and window of one cell; half of the window as a part of the travel, ratio window over noise."""

    name: str
    travel: float
    backlash: tuple[float, float]
    half: float
    rate: float
    ratio: float = 12.0


@dataclass(frozen=True)
class Run:
    """seconds (inf: never ended), whether the truth was inside then, crossings of the window's edges."""

    seconds: float
    good: bool
    crossings: int
    accepted: bool
    jumps: bool = False
    skips: int = 0
    asks: int = 0


CASES = [
    Case(f"{name} {100 * half:g} % {rate:g} /s", travel, backlash, half, rate)
    for name, travel, backlash in (("270 deg", 270.0, (0.5, 2.0)), ("20 turn", 7200.0, (7.2, 36.0)))
    for half in (0.01, 0.005)
    for rate in (1.3, 3.0, 10.0)
]


def one(case: Case, seed: int, arm: str = "bar", model: str = "glancing", scratch: float = 0.0) -> Run:
    """One setting by one person. Words of the docstring above."""
    rng = random.Random(seed)
    traits = Traits.sampled(rng, case.travel)
    half = case.half * case.travel
    target = rng.uniform(0.3, 0.7) * case.travel
    at = target + rng.choice((-1, 1)) * rng.uniform(0.08, 0.29) * case.travel
    knob = Knob(
        case.travel, rng.uniform(*case.backlash), creep=rng.uniform(0.001, 0.005), at=at, seed=seed,
        scratch=scratch * case.travel,
    )  # fmt: skip
    sense = rng.choice((-1.0, 1.0))
    target = target if sense > 0.0 else case.travel - target
    probe = Probe(case.rate, 0.5 / case.rate, 2.0 * half / case.ratio, half / 50.0, seed=seed)
    span = case.travel * math.exp(rng.gauss(0.0, 0.5))
    goal = Goal(target, target - half, target + half, "1", hold=1.5, settle=0.15, travel=case.travel, span=span)
    person = MODELS[model](traits, seed, 1.0 / case.rate, probe.aperture)
    state, screen = engine.start(goal, 0.0, as_found(probe)), Screen(arm, goal, half, random.Random(seed))
    crossings, side_before = 0, 0
    now, seen, rested, ticks, number = 0.0, NOTHING, 0.0, 0, 0
    pending: tuple[float, float, float] | None = None
    while now < LIMIT:
        turned = person.step(now, seen)
        tapped = knob.step(turned)
        tapped = tapped if sense > 0.0 else case.travel - tapped
        if knob.blocked:
            person.blocked()
        rested = now if person.moving else rested
        now += DT
        ticks += 1
        if found := probe.step(now, tapped):
            pending = (now + probe.latency, *found)
        truth = (knob.value if sense > 0.0 else case.travel - knob.value) - target
        if pending and pending[0] <= now:
            _, ended, value = pending
            pending, number = None, number + 1
            if arm == "raw":
                seen = Sight(target - value, half, number)
                if abs(value - target) > half:
                    rested = now
                elif now - rested >= goal.hold and abs(truth) <= half:
                    return Run(now, True, crossings, True)
            else:
                reading = Reading(value, "1", ended, resolution=probe.count, aperture=probe.aperture)
                state, effects = engine.step(state, Measured(reading, now))
                if any(isinstance(e, Accepted) for e in effects):
                    return Run(now, abs(truth) <= half, crossings, True, state.known.scratchy, knob.skips, screen.asks)
                if any(isinstance(e, EndOfTravel) for e in effects):
                    state = engine.start(goal, now)
        if arm != "raw" and ticks % 5 == 0:
            seen = screen.shows(engine.view(state, now), number)
        side = 0 if abs(truth) <= half else (1 if truth > 0.0 else -1)
        crossings += side != side_before and ticks > 1
        side_before = side
    return Run(math.inf, False, crossings, False, state.known.scratchy, knob.skips, screen.asks)


def as_found(probe: Probe) -> Known:
    """What the reading as found has told of the noise: five of them, as a step takes before its trim."""
    spread = statistics.stdev(probe.random.gauss(0.0, probe.noise) for _ in range(5))
    return Known(noise=max(spread, probe.count / math.sqrt(12.0)), seen=4.0)


class Screen:
    """What an arm lets a person see or hear of a view."""

    def __init__(self, arm: str, goal: Goal, half: float, rng: random.Random) -> None:
        self.arm, self.goal, self.half, self.random = arm, goal, half, rng
        self.asks = 0
        self.heard: tuple[tuple[object, object] | None, float] = (None, 1.0)

    def shows(self, view: engine.TrimView, number: int) -> Sight:
        asked, self.asks = view.asked, view.asks
        turn = {None: 0.0, Way.CLOCKWISE: 1.0, Way.COUNTER_CLOCKWISE: -1.0}[view.turn]
        error = view.distance if self.arm == "bar" else self._heard(view) if self.arm == "tone" else None
        return Sight(error, self.half, number, str(view.cue), turn, asked, self.asks, view.hint)

    def _heard(self, view: engine.TrimView) -> float | None:
        """The distance as the beat tells it: the true one within what can be heard of a beat's length, for each cue."""
        if view.distance is None:
            return None
        if self.heard[0] != (view.cue, view.turn):
            # ten half windows away the bar moves by 0.07 for a factor e, and the beat by 12 %: 5 % of it are 27 % of it
            self.heard = ((view.cue, view.turn), math.exp(self.random.gauss(0.0, 5.4 * HEARD)))
        return view.distance * self.heard[1]


def percentile(values: Sequence[float], part: float) -> float:
    return sorted(values)[min(len(values) - 1, int(part * len(values)))]


def shown(seconds: float) -> str:
    return f"{seconds:6.1f}" if math.isfinite(seconds) else f"{'>300':>6}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--first", type=int, default=None)
    parser.add_argument("--models", default=",".join(MODELS))
    parser.add_argument("--arms", default=",".join(ARMS))
    parser.add_argument("--only", default="", help="cases whose name holds this")
    args = parser.parse_args()
    first = secrets.randbelow(2**40) if args.first is None else args.first
    seeds, arms = range(first, first + args.runs), args.arms.split(",")
    print(f"{args.runs} runs a cell from seed {first}. Seconds to an accepted setting: 50 and 90 %, both over raw,")
    print("how many never ended; and with a mark how many were accepted with the truth outside")
    for model in args.models.split(","):
        print(f"\n{model:18} " + " ".join(f"{arm:^27}" for arm in arms))
        for case in (it for it in CASES if args.only in it.name):
            cells, raw = [], (math.nan, math.nan)
            for arm in arms:
                runs = [one(case, seed, arm, model) for seed in seeds]
                p = [percentile([r.seconds for r in runs], part) for part in (0.5, 0.9)]
                raw = p if arm == "raw" else raw
                never = sum(math.isinf(r.seconds) for r in runs)
                wrong = sum(r.accepted and not r.good for r in runs)
                cells.append(
                    f"{shown(p[0])}{shown(p[1])} {p[0] / raw[0]:4.2f} {p[1] / raw[1]:4.2f} {never:2d}"
                    + (f" {wrong}!" if wrong else "   ")
                )
            print(f"{case.name:18} " + " ".join(cells), flush=True)


if __name__ == "__main__":
    main()
