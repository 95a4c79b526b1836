"""How quick any cue could be: the same hands, led by somebody who knows the truth without delay or noise.

    python benchmarks/trim_bound.py [--runs 500]

What is left is the person: reaction, pace, the wrong way at first. A cue made of readings cannot be quicker; where
this is above 0.6 of raw digits, no cue reaches 0.6 with these hands.
"""

from __future__ import annotations

import argparse
import math
import random

from benchrig.sim_instruments.hand import Hand, Sight, Traits
from trim_cues import CASES, LIMIT, Case, one, p90
from trim_world import DT, Knob

HOLD = 1.5
NEAR = 4.0  # half windows within which the hand is told to go slowly
LOOKS = 5  # steps over which the knob's speed is taken
UNSEEN = 0.1  # s beside the reaction that a hand goes on: the knob's lag, and the pace of the display


def led(case: Case, seed: int, *, knows: bool) -> float:
    """Seconds to a good setting that was held; `knows` which way raises the value."""
    rng = random.Random(seed)
    gain = math.exp(rng.uniform(math.log(0.3), math.log(3.0)))
    reaction, least = rng.uniform(0.2, 0.35), rng.uniform(1.0, 3.0)
    half, target = case.half * case.travel, rng.uniform(0.3, 0.7) * case.travel
    at = target + rng.choice((-1, 1)) * rng.uniform(0.08, 0.29) * case.travel
    knob = Knob(case.travel, rng.uniform(*case.backlash), creep=rng.uniform(0.001, 0.005), at=at, seed=seed)
    way = rng.choice((-1, 1))
    traits = Traits(reaction, gain, least_move=least, pace=case.travel / 9.0)
    hand = Hand(traits, 1.0, raises=1 if knows else way, seed=seed)
    now, out, values, seen = 0.0, 0.0, [at], Sight(at, target, half, "wait")
    while now < LIMIT and now - out < HOLD:
        knob.step(hand.step(now, seen))
        if knob.blocked:
            hand.blocked()
        now += DT
        values = [*values[-LOOKS:], knob.value]
        speed = (values[-1] - values[0]) / (LOOKS * DT)
        seen = told(knob.value, speed, target, half, reaction + UNSEEN)
        if abs(target - knob.value) > half or hand.moving:
            out = now
    return now


def told(value: float, speed: float, target: float, half: float, ahead: float) -> Sight:
    """What the best leader says: where the hand would come to rest if it were stopped now decides."""
    rest = value + speed * ahead
    left = target - value
    way = "up" if target > rest else "down"
    cue = f"slowly {way}" if abs(left) < NEAR * half else f"turn {way}"
    if abs(target - rest) <= 0.7 * half:
        cue = "good, hands off"
    elif (target - rest) * left < 0.0:
        cue = "stop"
    wrong = speed * left < 0.0 and abs(speed) > half
    return Sight(value, target, half, cue, "", "the other way round" if wrong else "")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=500)
    parser.add_argument("--first", type=int, default=0, help="the first seed; another one while developing")
    args = parser.parse_args()
    seeds = range(args.first, args.first + args.runs)
    print(f"{args.runs} runs a cell: 90th percentile in seconds, and over that of raw digits")
    print(f"{'':14} {'raw':>6} {'led':>12} {'led, knowing the way':>22}")
    for case in CASES:
        raw = p90([one(case, seed, False, 1.0).seconds for seed in seeds])
        arms = [p90([led(case, seed, knows=knows) for seed in seeds]) for knows in (False, True)]
        cells = "".join(f" {arm:6.1f} {arm / raw:5.2f}{'':9}" for arm in arms)
        print(f"{case.name:14} {raw:6.1f}{cells}", flush=True)


if __name__ == "__main__":
    main()
