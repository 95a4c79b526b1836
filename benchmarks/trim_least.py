"""Finding the least point of a quantity that grows on both sides of it: ringing against a damping trimmer.

    python benchmarks/trim_least.py [--runs 500]

Overshoot = floor * sqrt(1 + (x / width)^2) over the travel x, a smooth valley; readings have relative noise. A pass
is one sweep across the point. Success: the true value where it was left is within 5 % of the true least.
"""

from __future__ import annotations

import argparse
import math
import random
import statistics

from benchrig.sim_instruments.hand import Hand, Sight, Traits
from trim_world import DT, Knob, Probe

from benchrig.readings import Reading
from benchrig.trim import least_point
from benchrig.trim.types import Accepted, Measured

LIMIT = 120.0


def one(seed: int, rate: float, noise: float) -> tuple[float, float, int]:
    """(seconds, how far above the least, passes)."""
    rng = random.Random(seed)
    gain = math.exp(rng.uniform(math.log(0.3), math.log(3.0)))
    traits = Traits(rng.uniform(0.2, 0.35), gain, least_move=rng.uniform(1.0, 3.0), pace=30.0)
    least_at, floor, width = rng.uniform(80.0, 190.0), rng.uniform(0.03, 0.08), rng.uniform(25.0, 50.0)

    def overshoot(x: float) -> float:
        return floor * math.sqrt(1.0 + ((x - least_at) / width) ** 2)

    knob = Knob(270.0, rng.uniform(0.5, 2.0), at=rng.uniform(20.0, 250.0), seed=seed)
    probe = Probe(rate, 0.5 / rate, 0.0, 1e-5, seed=seed)
    state = least_point.start(least_point.Search("1", hold=1.0, settle=0.15), 0.0)
    hand = Hand(traits, width / floor, raises=rng.choice((-1, 1)), seed=seed)
    seen, now, ticks, sides, side = Sight(None, 0.0, math.inf), 0.0, 0, 0, 0.0
    while now < LIMIT:
        tapped = knob.step(hand.step(now, seen))
        now, ticks = now + DT, ticks + 1
        found = probe.step(now, overshoot(tapped))
        here = math.copysign(1.0, knob.value - least_at)
        sides += here != side and side != 0.0
        side = here
        if found:
            value = found[1] * (1.0 + rng.gauss(0.0, noise))
            reading = Reading(value, "1", found[0], resolution=1e-5, aperture=probe.aperture)
            state, effects = least_point.step(state, Measured(reading, now))
            if any(isinstance(e, Accepted) for e in effects):
                return now, overshoot(knob.value) / floor - 1.0, max(1, sides)
        if ticks % 5 == 0:
            shown = least_point.view(state, now)
            seen = Sight(shown.value, (shown.value or 0.0) + 1.0, 1.0, str(shown.cue))  # the words alone lead
    return LIMIT, math.inf, max(1, sides)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=500)
    parser.add_argument("--first", type=int, default=0, help="the first seed; another one while developing")
    args = parser.parse_args()
    print(f"{args.runs} runs a cell: least point of a smooth valley, single-turn trimmer with backlash")
    print(f"{'readings/s':>10} {'noise':>6} {'passes':>14} {'above least':>18} {'within 5 %':>10} {'seconds':>14}")
    for rate in (1.3, 3.0, 10.0):
        for noise in (0.002, 0.01):
            runs = [one(s, rate, noise) for s in range(args.first, args.first + args.runs)]
            near = sorted(r[1] for r in runs)
            late = sorted(r[0] for r in runs)
            passes = sorted(r[2] for r in runs)
            nine = int(0.9 * len(runs))
            print(
                f"{rate:10} {noise:6.1%} {statistics.median(passes):6.1f} {passes[nine]:7d}"
                f" {statistics.median(near):9.2%} {near[nine]:8.2%} {sum(n <= 0.05 for n in near) / len(near):10.1%}"
                f" {statistics.median(late):7.1f} {late[nine]:6.1f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
