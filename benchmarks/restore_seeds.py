"""The whole restoration of simulated units that arrive tired, each with one fault or none: what becomes of each.

    python benchmarks/restore_seeds.py [--runs 50] [--first 0] [--processes 2]

Every unit has random errors as found, chosen by its seed, and a fault that its seed picks. When the job has ended the
unit is switched on again, warmed through, and asked what it truly is. Printed for each: the fault, the step that
showed it and its hint; how many of the settings that the fault leaves within reach are in and out by the truth (the
simulated instruments are off as real ones are, and what is within their uncertainty of its window counts as in);
readings at the hazardous point after the fault was seen, and acts that would have hurt somebody; hold points
acknowledged, and hazardous steps with readings that no acknowledgement came before.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import sys
from dataclasses import dataclass

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # several processes: threads of their own would only be in the way

from figures import Told, options

from benchrig.commands.options import locate
from benchrig.procedure import load_procedure
from benchrig.records import History
from benchrig.session import Outcome
from benchrig.testing import SimBench

PROCEDURE = "skerry14/restore"
WARM = 2400.0  # s with the power on after which the unit is as warm as it gets

# What the workshop wants of this unit, in the truth's own units: the windows of its adjustment table.
WINDOWS: dict[str, tuple[float, float]] = {
    "A2 TP21": (-2e-3, 2e-3),
    "A2 TP22": (-0.3, 0.3),
    "A2 TP23": (-0.3, 0.3),
    "tile width": (17.5, 18.5),
    "tile height": (17.5, 18.5),
    "aspect": (0.98, 1.02),
    "margins left-right": (-1.5, 1.5),
    "margins top-bottom": (-1.5, 1.5),
    "A4 TP40": (9250.0, 9550.0),
    "A4 TP41": (0.0, 0.06),
    "A4 TP42": (13.7e-6, 14.3e-6),
    "A4 TP42 low": (45.4e-6, 46.6e-6),
    "intensity": (3.5, 4.5),
    "stick x": (126.0, 130.0),
    "stick y": (126.0, 130.0),
}
# What the instruments leave open, and nobody can set better: U of a probe of 1 %, taken for rectangular (GUM 4.3.7).
UNCERTAINTIES = {"A4 TP40": 2.0 / 3.0**0.5 * 0.01 * 9400.0}
TIMER = frozenset({"A4 TP42", "A4 TP42 low"})
ALL = frozenset(WINDOWS)


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault, the steps of which one must show it, words of the hint; what can be set all the same.

    hazard   the unit may be run at its kilovolts with it
    """

    steps: tuple[str, ...]
    hint: str
    within_reach: frozenset[str] = frozenset()
    hazard: bool = False


RAIL = "regulator or pass transistor"
FAULTS: dict[str, Fault] = {
    "": Fault((), "", ALL, True),
    "dead +12 V": Fault(("rail-plus-12",), RAIL),
    "dead +5 V": Fault(("rail-plus-5",), RAIL, TIMER | {"A2 TP21", "A4 TP41"}),
    "dead -12 V": Fault(("rail-minus-12",), RAIL, TIMER | {"A4 TP41"}),
    "dead -5.2 V": Fault(("rail-minus-5",), RAIL, TIMER | {"A4 TP41"}),
    "intermittent fuse": Fault(("supplies-watched", "secondary-1", "secondary-2"), "use F1"),
    "scratchy RV22": Fault(("scratchy-vertical",), "they jump", ALL, True),
    "scratchy RV23": Fault(("scratchy-horizontal",), "they jump", ALL, True),
    "leaky capacitor": Fault(("hum-before", "esr-c101", "rail-plus-12"), "Dried out", ALL, True),
    "runaway EHT": Fault(("warm-up", "eht"), "Do not run it: timer or regulator"),
    "dead half": Fault(("secondary-2",), "mains switch or winding"),
    "timer stuck": Fault(("timer-on",), "No pulses: the timer", frozenset({"A2 TP21"})),
    "hum": Fault(("hum-before",), "Filter capacitor", ALL, True),
    "converter": Fault(("x-zero",), "The converter, its reference", ALL - {"A2 TP21", "A2 TP22", "A2 TP23"}, True),
    "blown fuse": Fault(("fuse",), "the fuse is blown"),
}


@dataclass(frozen=True, slots=True)
class Ended:
    """What became of one unit. `out` are the settings within reach that are out by the truth, with their values."""

    seed: int
    fault: str
    exit_code: int
    words: str
    shown_by: str
    hint: bool
    inside: tuple[str, ...]
    out: tuple[tuple[str, float], ...]
    unsafe: tuple[str, ...]
    acknowledged: int
    unasked: int
    turned: float
    lasted: float


def fault_of(seed: int) -> str:
    """Every fault comes up as often as any other, in an order by chance."""
    names, rounds = list(FAULTS), seed // len(FAULTS)
    random.Random(f"faults {rounds}").shuffle(names)
    return names[seed % len(names)]


def restored(seed: int, fault: str | None = None) -> Ended:
    """One whole job, and what is true after it."""
    name = fault_of(seed) if fault is None else fault
    with SimBench(seed=seed, faults=[name] if name else []) as bench:
        outcome = bench.run(PROCEDURE)
        turned = sum(trimmer.turned for trimmer in bench.world.trimmers.values())
        incidents, lasted = tuple(bench.world.hands.incidents), bench.clock.now()
        true = true_of(bench)
        shown_by = next((it for it in FAULTS[name].steps if _hinted(outcome, it, FAULTS[name].hint)), "")
        with bench.history() as history:
            touched = () if FAULTS[name].hazard else after_the_fault(history, outcome.job, shown_by)
            asked, unasked = hold_points(history, outcome.job)
    reach = [it for it in WINDOWS if it in FAULTS[name].within_reach]
    inside = tuple(it for it in reach if is_inside(it, true[it]))
    return Ended(
        seed, name, outcome.exit_code, outcome.words, shown_by, not name or bool(shown_by), inside,
        tuple((it, true[it]) for it in reach if it not in inside), (*incidents, *touched), asked, unasked, turned,
        lasted,
    )  # fmt: skip


def is_inside(name: str, value: float) -> bool:
    """Within its window as far as the instruments can tell."""
    (low, high), uncertainty = WINDOWS[name], UNCERTAINTIES.get(name, 0.0)
    return low - uncertainty <= value <= high + uncertainty


def true_of(bench: SimBench) -> dict[str, float]:
    """Every setting's true value with the unit on and warm."""
    bench.world.hands.power(True)
    bench.clock.sleep_until(bench.clock.now() + WARM)
    return {name: bench.truth(name) for name in WINDOWS}


def _hinted(outcome: Outcome, step: str, hint: str) -> bool:
    return step in outcome.results and hint in outcome.results[step].words


def after_the_fault(history: History, job: int, shown_by: str) -> tuple[str, ...]:
    """Steps at the hazardous point that were begun after the fault was seen and have readings."""
    hazardous = {step.id for step in load_procedure(locate(PROCEDURE)).steps if step.hazard}
    rows = history.steps(job)
    seen = next((row.row for row in rows if row.step == shown_by), 0)
    return tuple(
        f"{row.step} was read after {shown_by}"
        for row in rows
        if row.step in hazardous and row.row > seen and readings_of(history, row.row)
    )


def hold_points(history: History, job: int) -> tuple[int, int]:
    """(acknowledgements for work, hazardous steps with readings that no acknowledgement of their own came before)."""
    hazardous = {step.id for step in load_procedure(locate(PROCEDURE)).steps if step.hazard}
    given = [it for it in history.acknowledgements(job) if it["acknowledged"] and it["purpose"] == "work"]
    first: dict[int, float] = {}
    for it in given:
        first.setdefault(it["step"], it["at_us"] / 1e6)
    unasked = [
        row.row
        for row in history.steps(job)
        if row.step in hazardous
        and (times := readings_of(history, row.row))
        and (row.row not in first or min(times) < first[row.row])
    ]
    return len(given), len(unasked)


def readings_of(history: History, row: int) -> list[float]:
    return [it.time for channel in history.channels(row) for it in history.readings(channel)]


def line(it: Ended) -> str:
    hint = it.shown_by or ("-" if not it.fault else "NOT SHOWN")
    out = ", ".join(f"{name} {value:.4g}" for name, value in it.out)
    return (
        f"{it.seed:4} {it.fault or 'healthy':18} {hint:18} {it.exit_code:4} {len(it.inside):3} {len(it.out):4}"
        f" {len(it.unsafe):7} {it.acknowledged:5} {it.unasked:8} {it.lasted:8.0f}"
        + (f"   out: {out}" if out else "")
        + (f"   UNSAFE: {'; '.join(it.unsafe)}" if it.unsafe else "")
        + (f"   ({it.words})" if out or hint == "NOT SHOWN" or (not it.fault and it.exit_code) else "")
    )


def totals(ended: list[Ended]) -> dict[str, int]:
    return {
        "units": len(ended),
        "right hint or healthy": sum(it.hint for it in ended),
        "units without the hint": sum(not it.hint for it in ended),
        "settings in": sum(len(it.inside) for it in ended),
        "settings out": sum(len(it.out) for it in ended),
        "unsafe acts": sum(len(it.unsafe) for it in ended),
        "hold points acknowledged": sum(it.acknowledged for it in ended),
        "hold points passed without": sum(it.unasked for it in ended),
        "units all right": sum(not (it.out or it.unsafe or it.unasked) and it.hint for it in ended),
    }


def main() -> int:
    args = options(__doc__, runs=50, first=0, processes=2)
    told, ended = Told(args.json), []
    told.line(f"{'seed':>4} {'fault':18} {'shown by':18} exit  in  out  unsafe  acks  unasked  seconds")
    with multiprocessing.Pool(args.processes) as pool:
        for it in pool.imap(restored, range(args.first, args.first + args.runs)):
            ended.append(it)
            told.line(line(it))
    found = totals(ended)
    told.line("\n" + "; ".join(f"{name} {count}" for name, count in found.items()))
    told.end(found)
    return 0 if found["units all right"] == found["units"] else 1


if __name__ == "__main__":
    sys.exit(main())
