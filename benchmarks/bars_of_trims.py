"""The figures of trims that the bars ask for, from the same runs as the trim benchmarks print.

    python benchmarks/bars_of_trims.py PART [--runs 500] [--first 0] [--processes 2]

PART is cues, false, scratchy, sweep, least, coupled or counted. Every run is simulated, so the load of the machine does
not matter and the seeds can be shared between processes.
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
import random
import statistics
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
import trim_coupled
import trim_cues
import trim_least
import trim_moves
import trim_wiper
from figures import Figures, Told
from trim_cues import CASES, Case
from trim_people import MODELS

from benchrig.trim.wiper_sweep import Wiper

RATIOS = (3.0, 4.0, 6.0)  # window over noise
RATE = 10.0  # readings a second of the coupled trimmers' meter
Runs = Callable[[Callable[[int], Any]], list[Any]]


def cues(runs: Runs) -> Figures:
    """The cue (bar and words) against raw digits: 50 and 90 %, by kind of person, trimmer, window and meter."""
    median: dict[str, float] = {}
    late: dict[str, float] = {}
    crossings: dict[str, float] = {}
    never = raw_never = wrong = 0
    for model in MODELS:
        for case in CASES:
            raw, cued = (runs(partial(cue_run, case, model, arm)) for arm in ("raw", "bar"))
            cell = f"{model} {name(case)}"
            for figure, part in ((median, 0.5), (late, 0.9)):
                figure[cell] = share(cued, part) / share(raw, part)
            crossings[cell] = mean([it.crossings for it in cued]) / mean([it.crossings for it in raw])
            never += sum(math.isinf(it.seconds) for it in cued)
            raw_never += sum(math.isinf(it.seconds) for it in raw)
            wrong += accepted_wrongly(cued)
    return {
        "cue over raw digits, median": median,
        "cue over raw digits": late,
        "crossings over raw digits": crossings,
        "hunts": never,
        "hunts on raw digits": raw_never,
        "accepted outside": wrong,
    }


def share(found: Sequence[Any], part: float) -> float:
    """Seconds within which that part of the runs had ended; infinite where they never did."""
    return trim_cues.percentile([it.seconds for it in found], part)


def cue_run(case: Case, model: str, arm: str, seed: int) -> Any:
    return trim_cues.one(case, seed, arm, model)


def false(runs: Runs) -> Figures:
    """Accepted with the truth outside, by window over noise, in per cent; and how many runs there were."""
    shares: dict[str, float] = {}
    count = 0
    for ratio in RATIOS:
        kinds = [(replace(case, ratio=ratio), model) for case in CASES for model in MODELS]
        found = [it for case, model in kinds for it in runs(partial(cue_run, case, model, "bar"))]
        shares[f"{ratio:g}"] = 100.0 * accepted_wrongly(found) / len(found)
        count += len(found)
    pooled = statistics.fmean(shares.values())
    return {"accepted outside, %": shares, "pooled, %": pooled, "runs": count, "at most, %": at_most(pooled, count)}


def accepted_wrongly(found: Sequence[Any]) -> int:
    return sum(it.accepted and not it.good for it in found)


def at_most(percent: float, count: int) -> float:
    """Upper 95 % bound of a share seen in `count` runs: 3 / n where none was seen (the rule of three), else normal."""
    share = percent / 100.0
    return 100.0 * (3.0 / count if share == 0.0 else share + 1.645 * (share * (1.0 - share) / count) ** 0.5)


def scratchy(runs: Runs) -> Figures:
    """A wiper named in the course of an ordinary trim."""

    def share(case: Case, dirt: float) -> float:
        return 100.0 * mean([it.jumps for it in runs(partial(trim_run, case, dirt))])

    return by_case("named, %", lambda it: share(it, trim_wiper.DIRT)) | by_case(
        "false alarms, %", lambda it: share(it, 0.0)
    )


def trim_run(case: Case, dirt: float, seed: int) -> Any:
    return trim_cues.one(case, seed, "bar", "crossover", dirt)


def sweep(runs: Runs) -> Figures:
    """A wiper named by turning it to and fro on purpose."""

    def share(case: Case, dirt: float) -> float:
        return 100.0 * mean([it.found is Wiper.SCRATCHY for it in runs(partial(sweep_run, case, dirt))])

    return by_case("named, %", lambda it: share(it, trim_wiper.DIRT)) | by_case(
        "false alarms, %", lambda it: share(it, 0.0)
    )


def sweep_run(case: Case, dirt: float, seed: int) -> Any:
    return trim_wiper.one(case, seed, dirt)


def by_case(figure: str, of: Callable[[Case], float]) -> dict[str, Any]:
    return {figure: {name(case): of(case) for case in CASES}}


def least(runs: Runs) -> Figures:
    """How far above the least it was left, and how often within 5 %; passes; by meter and noise."""
    above: dict[str, float] = {}
    within: dict[str, float] = {}
    passes: dict[str, float] = {}
    for rate in (1.3, 3.0, 10.0):
        for noise in (0.002, 0.01):
            found = runs(partial(least_run, rate, noise))
            cell = f"{rate:g} readings/s, {noise:.1%} noise"
            above[cell] = 100.0 * statistics.median(it[1] for it in found)
            within[cell] = 100.0 * sum(it[1] <= 0.05 for it in found) / len(found)
            passes[cell] = statistics.median(it[2] for it in found)
    return {"above the least, %": above, "within 5 %, %": within, "passes": passes}


def least_run(rate: float, noise: float, seed: int) -> Any:
    return trim_least.one(seed, rate, noise)


def coupled(runs: Runs) -> Figures:
    """As told over alternately, medians: turnings of the hand between two rests, and visits of the hand to a trimmer.

    And how often what was settled as told was outside.
    """
    turnings: dict[str, float] = {}
    wrong = 0
    for world, effects in {TIMER: trim_moves.TIMER, **{by(it): trim_coupled.strong(it) for it in (0.3, 0.7)}}.items():
        arms = [runs(partial(turnings_run, arm, effects)) for arm in (trim_coupled.alternately, trim_coupled.advised)]
        before, after = (statistics.median(it.moves for it in arm) for arm in arms)
        turnings[world] = after / before
        wrong += sum(not it.good and it.seconds < trim_coupled.LIMIT for it in arms[1])
    visits: dict[str, float] = {}
    for world, strength in {TIMER: None, **{by(it): it for it in (0.3, 0.5, 0.7, 0.85)}}.items():
        before, after = (statistics.median(runs(partial(visits_run, told, strength))) for told in (False, True))
        visits[world] = after / before
    return {"turnings over alternating": turnings, "visits over alternating": visits, "settled outside": wrong}


TIMER = "drive timer"


def by(strength: float) -> str:
    return f"each moves the other by {strength:g}"


def turnings_run(arm: Callable[..., Any], effects: Any, seed: int) -> Any:
    return arm(seed, RATE, effects)


def visits_run(told: bool, strength: float | None, seed: int) -> int:
    rng = random.Random(seed)
    if strength is None:
        return trim_moves.timer(rng, 0, told)
    effects = trim_moves.world(rng, strength)
    values = np.array([rng.choice((-1, 1)) * rng.uniform(5.0, 15.0) for _ in range(2)])  # half windows off
    return (trim_moves.advised if told else trim_moves.alternately)(rng, effects, values)


def counted(runs: Runs) -> Figures:
    """Turns until a window of 1/60 of the travel is reached, median."""
    kinds = {"270 degrees": (270.0, (0.5, 2.0)), "20 turns": (7200.0, (7.2, 36.0))}
    return {"turns": {kind: statistics.median(runs(partial(turns_run, *of))) for kind, of in kinds.items()}}


def turns_run(travel: float, play: tuple[float, float], seed: int) -> int:
    return trim_moves.turns(seed, travel, play)


def name(case: Case) -> str:
    return " ".join(case.name.split())


def mean(values: Sequence[float]) -> float:
    return statistics.fmean(values)


PARTS: dict[str, Callable[[Runs], Figures]] = {
    "cues": cues, "false": false, "scratchy": scratchy, "sweep": sweep, "least": least, "coupled": coupled,
    "counted": counted,
}  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("part", choices=PARTS)
    parser.add_argument("--runs", type=int, default=500)
    parser.add_argument("--first", type=int, default=0, help="the first seed")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--json", action="store_true", help="the figures as one JSON object, and nothing else")
    args = parser.parse_args()
    told, seeds = Told(args.json), range(args.first, args.first + args.runs)
    with multiprocessing.Pool(args.processes) as pool:
        found = PARTS[args.part](lambda one: pool.map(one, seeds, chunksize=max(1, len(seeds) // 20)))
    for figure, value in found.items():
        cells = value.items() if isinstance(value, dict) else [("", value)]
        told.line(f"{figure:28} " + "; ".join(f"{cell} {number:.4g}".strip() for cell, number in cells))
    told.end({"runs a cell": args.runs, **found})


if __name__ == "__main__":
    main()
