"""A deliberate sweep of a wiper: scratchy ones named, clean ones let pass.

    python benchmarks/trim_wiper.py [--runs 500]

The same trimmers, meters, people and dirt as in `trim_cues.py`; the sweep reaches four half windows to each side.
"""

from __future__ import annotations

import argparse
import math
import random
import statistics
from dataclasses import dataclass

from benchrig.sim_instruments.hand import Hand, Sight, Traits
from trim_cues import CASES, Case
from trim_world import DT, Knob, Probe

from benchrig.readings import Reading
from benchrig.trim import wiper_sweep
from benchrig.trim.types import Measured

LIMIT = 150.0
REACH = 4.0  # half windows
DIRT = 0.05  # of the travel


@dataclass(frozen=True)
class Run:
    """What became of one sweep; `farthest` from where it began, as a part of the reach."""

    found: wiper_sweep.Wiper
    seconds: float
    skips: int
    farthest: float


def one(case: Case, seed: int, scratch: float) -> Run:
    rng = random.Random(seed)
    gain = math.exp(rng.uniform(math.log(0.3), math.log(3.0)))
    traits = Traits(rng.uniform(0.2, 0.35), gain, least_move=rng.uniform(1.0, 3.0), pace=case.travel / 9.0)
    half, at = case.half * case.travel, rng.uniform(0.3, 0.7) * case.travel
    knob = Knob(
        case.travel, rng.uniform(*case.backlash), creep=rng.uniform(0.001, 0.005), at=at, seed=seed,
        scratch=scratch * case.travel,
    )  # fmt: skip
    probe = Probe(case.rate, 0.5 / case.rate, 2.0 * half / case.ratio, half / 50.0, seed=seed)
    hand = Hand(traits, 1.0, raises=rng.choice((-1, 1)), seed=seed)
    sweep = wiper_sweep.Sweep("1", REACH * half, settle=0.15, stale_after=2.5)
    state = wiper_sweep.start(sweep, 0.0)
    seen, now, ticks, farthest = Sight(None, at, half), 0.0, 0, 0.0
    while now < LIMIT:
        tapped = knob.step(hand.step(now, seen))
        if knob.blocked:
            hand.blocked()
        now, ticks = now + DT, ticks + 1
        farthest = max(farthest, abs(knob.value - at) / sweep.reach)
        if found := probe.step(now, tapped):
            reading = Reading(found[1], "1", found[0], resolution=probe.count, aperture=probe.aperture)
            state, effects = wiper_sweep.step(state, Measured(reading, now))
            for effect in effects:
                if isinstance(effect, wiper_sweep.Swept):
                    return Run(effect.wiper, now, knob.skips, farthest)
        if ticks % 5 == 0:
            shown = wiper_sweep.view(state, now)
            target = (shown.value or 0.0) + (shown.distance or 0.0)
            seen = Sight(shown.value, target, half, str(shown.cue), "", shown.hint)
    return Run(wiper_sweep.Wiper.UNKNOWN, LIMIT, knob.skips, farthest)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=500)
    parser.add_argument("--first", type=int, default=0, help="the first seed; another one while developing")
    args = parser.parse_args()
    print(f"{args.runs} sweeps a cell; seconds: median and 90th percentile; farthest: 90th percentile, in reaches")
    arm = f"{'unknown':>7} {'seconds':>11}"
    print(f"{'':14} {'named':>6} {arm}  {'false':>6} {arm} {'farthest':>8}")
    for case in CASES:
        cells = []
        for dirt in (DIRT, 0.0):
            runs = [one(case, seed, dirt) for seed in range(args.first, args.first + args.runs)]
            late = sorted(r.seconds for r in runs)
            share = sum(r.found is wiper_sweep.Wiper.SCRATCHY for r in runs) / len(runs)
            unknown = sum(r.found is wiper_sweep.Wiper.UNKNOWN for r in runs)
            cells.append(f"{share:6.1%} {unknown:7d} {statistics.median(late):5.1f} {late[int(0.9 * len(late))]:5.1f}")
        far = sorted(r.farthest for r in runs)[int(0.9 * len(runs))]
        print(f"{case.name:14} {cells[0]}  {cells[1]} {far:8.2f}", flush=True)


if __name__ == "__main__":
    main()
