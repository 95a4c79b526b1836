"""The whole restoration on a simulated unit, in process: every setting by the unit's truth, every fault by its hint."""

import pytest

from benchrig.readings import Reading
from benchrig.testing import SimBench

PROCEDURE = "skerry14/restore"
# Settings and the acceptable window of each, in the truth's own units: the workshop's figures for this unit.
TRUE = {
    "A2 TP21": (-5e-3, 5e-3),
    "A4 TP42": (13.4e-6, 14.6e-6),
    "A4 TP42 low": (44.8e-6, 47.2e-6),
    "A4 TP41": (0.0, 0.06),
    "stick x": (126, 130),
    "stick y": (126, 130),
    "A2 TP22": (-0.6, 0.6),
    "A2 TP23": (-0.6, 0.6),
}


def test_a_tired_unit_is_brought_in_by_its_own_truth():
    """Nobody would have been hurt; everything was read as found before the first mark; two hold points at least."""
    with SimBench(seed=0) as bench:
        outcome = bench.run(PROCEDURE)
        assert (outcome.exit_code, outcome.words) == (0, "everything in")
        for name, (low, high) in TRUE.items():
            assert low <= bench.truth(name) <= high, name
        assert 9250.0 <= outcome.results["eht"].value <= 9550.0
        assert bench.world.hands.incidents == []
        with bench.history() as history:
            marks = history.marks(outcome.job)
            rows = history.steps(outcome.job)
            found = {row.step: row.result.value for row in rows if row.purpose == "as found"}
            assert max(row.row for row in rows if row.purpose == "as found") < min(mark["step"] for mark in marks)
            assert found["x-zero"] == pytest.approx(-0.041, abs=0.003)
            assert outcome.results["x-zero"].details["as_found"] == found["x-zero"]


def test_a_unit_that_is_right_is_not_touched():
    """Not one control is turned, marked or cleaned; only the as-found pass and what is looked at."""
    with SimBench(seed=0, tired=False) as bench:
        before = {name: bench.world.hands.position(name) for name in bench.world.hands.controls()}
        outcome = bench.run(PROCEDURE)
        assert outcome.exit_code == 0
        assert {name: bench.world.hands.position(name) for name in before} == before
        with bench.history() as history:
            assert history.marks(outcome.job) == []
            turned = {"trim", "least", "coupled"}
            assert {row.purpose for row in history.steps(outcome.job) if row.kind in turned} == {"as found"}


# fault -> (step that shows it, words of its hint)
FAULTS = {
    "dead +12 V": ("rail-plus-12", "regulator or pass transistor"),
    "dead half": ("secondary-2", "mains switch or winding"),
    "blown fuse": ("fuse", "the fuse is blown"),
    "intermittent fuse": ("", "use F1"),  # which supply is seen to dip first is chance
    "runaway EHT": ("eht", "Do not run it: timer or regulator"),
    "timer stuck": ("timer-on", "No pulses: the timer"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_ends_in_its_hint_and_in_no_unsafe_step(fault):
    """No kilovolts are read after it, nobody would have been hurt, and the job says that not everything is in."""
    step, hint = FAULTS[fault]
    with SimBench(seed=0, faults=[fault]) as bench:
        outcome = bench.run(PROCEDURE)
        assert outcome.exit_code == 1
        step = step or next(name for name, result in outcome.results.items() if hint in result.words)
        assert hint in outcome.results[step].words
        assert bench.world.hands.incidents == []
        with bench.history() as history:
            rows = history.steps(outcome.job)
            seen = next(row.row for row in rows if row.step == step)
            later = [row for row in rows if row.step == "eht" and row.row > seen]
            assert not [reading for row in later for reading in readings(history, row.row)]


def readings(history, row) -> list[Reading]:
    return [it for channel in history.channels(row) for it in history.readings(channel)]
