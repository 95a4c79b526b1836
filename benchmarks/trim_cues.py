"""Cue against raw digits: the same simulated operators, trimmers and meters, once with the cue and once without.

    python benchmarks/trim_cues.py [--runs 500] [--pace 1.0]

The cued arm is verified by the engine (hands off, held, steady, surely inside), and counts as good if the trimmer's
true value is then inside the window. The raw arm has it easier: it is verified as soon as the hand has rested for
the hold time, every reading since was inside, and the true value is inside.
"""

from __future__ import annotations

import argparse
import math
import random
import statistics
import time
from dataclasses import dataclass, replace

from benchrig.sim_instruments.hand import Hand, Sight, Traits
from trim_world import DT, Knob, Probe

from benchrig.readings import Reading
from benchrig.trim import engine
from benchrig.trim.types import Accepted, Goal, Measured

LIMIT = 150.0
HUNT = 120.0


@dataclass(frozen=True)
class Case:
    """Trimmer, meter and window of one cell; half and noise as parts of the travel."""

    name: str
    travel: float
    backlash: tuple[float, float]
    half: float
    rate: float
    ratio: float = 12.0  # window over noise


@dataclass(frozen=True)
class Run:
    seconds: float
    good: bool
    crossings: int
    accepted: bool
    gain: float = 0.0
    jumps: bool = False
    skips: int = 0


def one(case: Case, seed: int, cued: bool, pace: float, scratch: float = 0.0) -> Run:
    rng = random.Random(seed)
    gain = math.exp(rng.uniform(math.log(0.3), math.log(3.0)))
    traits = Traits(
        reaction=rng.uniform(0.2, 0.35),
        gain=gain,
        least_move=rng.uniform(1.0, 3.0),
        pace=pace * case.travel / 9.0,
    )
    half = case.half * case.travel
    target = rng.uniform(0.3, 0.7) * case.travel
    at = target + rng.choice((-1, 1)) * rng.uniform(0.08, 0.29) * case.travel
    play, creep = rng.uniform(*case.backlash), rng.uniform(0.001, 0.005)
    knob = Knob(case.travel, play, creep=creep, at=at, seed=seed, scratch=scratch * case.travel)
    probe = Probe(case.rate, 0.5 / case.rate, 2.0 * half / case.ratio, half / 50.0, seed=seed)
    goal = Goal(target, target - half, target + half, "1", hold=1.5, settle=0.15, span=case.travel, travel=case.travel)
    hand = Hand(traits, 1.0, raises=rng.choice((-1, 1)), seed=seed)
    state = engine.start(goal, 0.0)
    crossings, inside = 0, None
    now, value, seen = 0.0, None, Sight(None, target, half)
    pending: list[tuple[float, float, float]] = []
    ticks, rested = 0, 0.0
    while now < LIMIT:
        turned = hand.step(now, seen)
        tapped = knob.step(turned)
        if knob.blocked:
            hand.blocked()
        now += DT
        ticks += 1
        found = probe.step(now, tapped)
        if found:
            pending.append((now + probe.latency, *found))
        if pending and pending[0][0] <= now:
            _, ended, value = pending.pop(0)
            reading = Reading(value, "1", ended, resolution=probe.count, aperture=probe.aperture)
            if cued:
                state, effects = engine.step(state, Measured(reading, now))
                if any(isinstance(e, Accepted) for e in effects):
                    return Run(
                        now, abs(knob.value - target) <= half, crossings, True, gain, state.known.scratchy, knob.skips
                    )
            else:
                seen = Sight(value, target, half)
                if hand.moving or abs(value - target) > half:
                    rested = now
                elif now - rested >= goal.hold and abs(knob.value - target) <= half:
                    return Run(now, True, crossings, True, gain)
        if cued and ticks % 5 == 0:
            shown = engine.view(state, now)
            seen = Sight(shown.value, target, half, str(shown.cue), str(shown.turn or ""), shown.hint)
        side = 0 if abs(knob.value - target) <= half else (1 if knob.value > target else -1)
        if inside is not None and side != inside:
            crossings += 1
        inside = side
    return Run(LIMIT, False, crossings, False, gain, state.known.scratchy, knob.skips)


CASES = [
    Case(f"{name} {rate:>4} /s", travel, backlash, half, rate)
    for name, travel, backlash, half in (
        ("270 deg", 270.0, (0.5, 2.0), 0.01),
        ("20 turn", 7200.0, (7.2, 36.0), 0.005),
    )
    for rate in (1.3, 3.0, 10.0)
]


def p90(values: list[float]) -> float:
    return sorted(values)[min(len(values) - 1, int(0.9 * len(values)))]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=500)
    parser.add_argument("--pace", type=float, default=1.0)
    parser.add_argument("--first", type=int, default=0, help="the first seed; another one while developing")
    parser.add_argument("--parts", default="cues,latency,wiper,false")
    args = parser.parse_args()
    seeds = range(args.first, args.first + args.runs)
    parts = {"cues": lambda: cues(seeds, args.pace), "latency": latency}
    parts |= {"wiper": lambda: wiper(seeds), "false": lambda: false_acceptance(seeds)}
    for part in args.parts.split(","):
        parts[part]()


def cues(seeds: range, pace: float) -> None:
    print(f"{len(seeds)} runs a cell. Seconds to a true, verified setting; hunts past {HUNT:.0f} s; window crossings,")
    print("and those beyond the one that brings the value in; false: accepted with the true value outside")
    print(
        f"{'':14} {'median':>13} {'90th pct':>13} {'ratio':>5} {'crossings':>11}"
        f" {'beyond':>11} {'hunts':>9} {'false':>5}"
    )
    for case in CASES:
        raw, cue = ([one(case, s, cued, pace) for s in seeds] for cued in (False, True))
        med = [statistics.median(r.seconds for r in arm) for arm in (raw, cue)]
        p = [p90([r.seconds for r in arm]) for arm in (raw, cue)]
        cross = [statistics.fmean(r.crossings for r in arm) for arm in (raw, cue)]
        beyond = [statistics.fmean(max(0, r.crossings - 1) for r in arm) for arm in (raw, cue)]
        hunts = [sum(r.seconds > HUNT for r in arm) for arm in (raw, cue)]
        print(
            f"{case.name:14} {med[0]:6.1f} {med[1]:6.1f} {p[0]:6.1f} {p[1]:6.1f} {p[1] / p[0]:5.2f}"
            f" {cross[0]:5.2f} {cross[1]:5.2f} {beyond[0]:5.2f} {beyond[1]:5.2f} {hunts[0]:4d} {hunts[1]:4d}"
            f" {sum(r.accepted and not r.good for r in cue):5d}",
            flush=True,
        )


def false_acceptance(seeds: range) -> None:
    print("\nFalse acceptance with the cue: accepted while the true value is outside the window; none in 150 s")
    print(f"{'window/noise':12} " + " ".join(f"{case.name:>14}" for case in CASES))
    for ratio in (3.0, 4.0, 6.0):
        cells = []
        for case in CASES:
            found = [one(replace(case, ratio=ratio), s, True, 1.0) for s in seeds]
            wrong = sum(r.accepted and not r.good for r in found)
            cells.append(f"{wrong:4d}, {sum(not r.accepted for r in found):4d} none")
        print(f"{ratio:<12} " + " ".join(f"{cell:>14}" for cell in cells), flush=True)


def wiper(seeds: range) -> None:
    print("\nScratchy wiper (contact lost 4 times a second of turning, sd 5 % of travel) named within one trim")
    for case in CASES:
        clean = [one(case, s, True, 1.0) for s in seeds]
        dirty = [one(case, s, True, 1.0, 0.05) for s in seeds]
        named = sum(r.jumps for r in dirty) / len(seeds)
        false = sum(r.jumps for r in clean) / len(seeds)
        skips = statistics.median(r.skips for r in dirty)
        print(f"{case.name:14} named {named:6.1%}   false alarm {false:6.1%}   jumps in a trim {skips:.0f}", flush=True)


def latency() -> None:
    """Seconds of one engine step, in a long noisy hold at 50 readings per second: the engine's worst diet."""
    goal = Goal(0.0, -1.0, 1.0, "V", hold=5.0)
    state, taken, rng = engine.start(goal, 0.0), [], random.Random(1)
    for i in range(5000):
        now = i / 50.0
        reading = Reading(rng.gauss(0.0, 0.4), "V", now, aperture=0.01)
        began = time.perf_counter()
        state, _ = engine.step(state, Measured(reading, now))
        engine.view(state, now)
        taken.append(time.perf_counter() - began)
    taken.sort()
    print(f"\nStep and view: median {taken[2500] * 1e3:.3f} ms, p99 {taken[4950] * 1e3:.3f} ms")


if __name__ == "__main__":
    main()
