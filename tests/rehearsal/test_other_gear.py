"""A sound amplifier and a laboratory supply: whole jobs on their doubles, with faults, against the units' truth."""

import os
from dataclasses import replace

import pytest

from benchrig.bench import load_bench
from benchrig.commands.options import locate
from benchrig.procedure import load_procedure
from benchrig.procedure.preflight import check
from benchrig.steps.measure import Measure
from benchrig.steps.trim import Trim
from benchrig.testing import SimBench

HEAVY = bool(os.environ.get("BENCHRIG_HEAVY"))
SEEDS = range(10) if HEAVY else (2,)
GEAR = {"amplifier": "BS150-0012", "labsupply": "HY30-0007"}


def job(name, seed=0, faults=(), tired=True):
    """(outcome, truth by point, incidents, degrees turned, hold points) of one whole service."""
    with SimBench(name, seed=seed, faults=list(faults), tired=tired) as bench:
        outcome = bench.run(f"{name}/service", serial=GEAR[name])
        truths = {point: law() for point, law in bench.world.truths.items()}
        turned = {trimmer.name: trimmer.turned for trimmer in bench.world.trimmers.values()}
        with bench.history() as history:
            asked = history.acknowledgements(1)
        return outcome, truths, list(bench.world.hands.incidents), turned, asked


@pytest.mark.parametrize("name", GEAR)
def test_the_bench_can_do_it_on_paper(name):
    """`benchrig check` refuses nothing."""
    for work in ("service", "burnin") if name == "labsupply" else ("service",):
        report = check(load_procedure(locate(f"{name}/{work}")), load_bench(locate(f"{name}/bench")))
        assert report.worst != "refuse", [row for row in report.rows if row.level == "refuse"]


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("name", GEAR)
def test_a_tired_unit_ends_with_everything_in_by_its_own_truth(name, seed):
    """What was read is what is; no hand near anything live; the hold point was acknowledged."""
    outcome, _, incidents, _, asked = job(name, seed)
    assert outcome.exit_code == 0, outcome.words
    assert not incidents
    assert asked
    assert all(row["acknowledged"] for row in asked)


@pytest.mark.parametrize("name", GEAR)
def test_each_trim_is_truly_inside_when_it_is_accepted(name):
    """The unit's truth at the end of each trim's step, not what the meter said."""
    work = load_procedure(locate(f"{name}/service"))
    seen = {}
    with SimBench(name, seed=4) as bench:

        class Looking:
            def __init__(self, operator):
                self.__dict__["_operator"] = operator

            def __getattr__(self, what):
                return getattr(self._operator, what)

            def notify(self, notice):
                if notice.kind == "step ended" and isinstance(work.step(notice.step), Trim | Measure):
                    seen[notice.step] = bench.truth(work.step(notice.step).source.point)
                self._operator.notify(notice)

        bench.run(f"{name}/service", serial=GEAR[name], operator=Looking(bench.operator))
    trims = [step for step in work.steps if isinstance(step, Trim)]
    assert trims
    for step in trims:
        assert step.limits.holds(seen[step.id]), (step.id, seen[step.id])


FAULTS = [
    ("amplifier", "dead +70 V", "positive rail"),
    ("amplifier", "dead -70 V", "negative rail"),
    ("amplifier", "hot stage L", "hot running stage"),
    ("amplifier", "hum", "reservoirs"),
    ("labsupply", "dead half", "winding or the switch"),
    ("labsupply", "dead +12 V", "regulator of the auxiliary rail"),
    ("labsupply", "leaky capacitor", "reservoir capacitor"),
    ("labsupply", "worn regulator", "pass transistor"),
]


@pytest.mark.parametrize(("name", "fault", "hint"), FAULTS)
def test_each_fault_ends_in_its_hint_and_nothing_unsafe_follows(name, fault, hint):
    """The job ends not in, says where to look, and no hand goes near anything live."""
    outcome, _, incidents, _, _ = job(name, 5, [fault])
    assert outcome.exit_code == 1
    words = " ".join([outcome.words, *(result.words for result in outcome.results.values())])
    assert hint in words, words
    assert not incidents


@pytest.mark.parametrize(("name", "control"), [("amplifier", "RV3"), ("labsupply", "RV2")])
def test_a_scratchy_trimmer_is_cleaned_and_set_again(name, control):
    """It is heard, cleaned with the power off, and everything ends in."""
    outcome, _, incidents, _, _ = job(name, 6, [f"scratchy {control}"])
    assert outcome.exit_code == 0, outcome.words
    assert not incidents
    assert any(step.startswith("clean") and result.verdict == "done" for step, result in outcome.results.items())


@pytest.mark.parametrize("name", GEAR)
def test_a_unit_that_is_right_is_left_alone(name):
    """Not one trimmer is turned."""
    outcome, _, _, turned, _ = job(name, 7, tired=False)
    assert outcome.exit_code == 0, outcome.words
    assert set(turned.values()) == {0.0}


def test_the_supply_passes_its_burn_in():
    """Loaded, watched by meter and scope; five of its minutes unless the heavy run asks for all of them."""
    whole = load_procedure(locate("labsupply/burnin"))
    leads, soak = whole.steps
    if not HEAVY:
        whole = replace(whole, steps=(leads, soak.model_copy(update={"lasts": 300.0, "warm_up": 60.0})))
    with SimBench("labsupply", 1) as bench:
        outcome = bench.run(whole, serial=GEAR["labsupply"])
    assert outcome.exit_code == 0
    assert outcome.results["burn-in"].verdict == "pass", outcome.results["burn-in"].words
