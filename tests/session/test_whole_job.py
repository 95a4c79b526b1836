"""The whole restoration on a simulated unit, in process: every setting by the unit's truth, every fault by its hint."""

import os
import sys
from pathlib import Path

import pytest

from benchrig.testing import SimBench

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
import restore_seeds

PROCEDURE = "skerry14/restore"
HEAVY = bool(os.environ.get("BENCHRIG_HEAVY"))


def test_a_tired_unit_is_brought_in_by_its_own_truth():
    """Nobody would have been hurt; everything was read as found before the first mark; two hold points at least."""
    with SimBench(seed=0) as bench:
        outcome = bench.run(PROCEDURE)
        assert (outcome.exit_code, outcome.words) == (0, "all in tolerance")
        assert bench.world.hands.incidents == []
        with bench.history() as history:
            marks = history.marks(outcome.job)
            rows = history.steps(outcome.job)
            found = {row.step: row.result.value for row in rows if row.purpose == "as found"}
            assert max(row.row for row in rows if row.purpose == "as found") < min(mark["step"] for mark in marks)
            assert found["x-zero"] == pytest.approx(-0.041, abs=0.003)
            assert outcome.results["x-zero"].details["as_found"] == found["x-zero"]
        true = restore_seeds.true_of(bench)  # with the unit on again and warmed through
        assert [(name, value) for name, value in true.items() if not restore_seeds.is_inside(name, value)] == []


def test_a_unit_that_is_right_is_not_touched():
    """Not one control is turned, marked or cleaned; only the as-found pass and what is looked at."""
    with SimBench(seed=0, tired=False) as bench:
        outcome = bench.run(PROCEDURE)
        assert outcome.exit_code == 0
        moved = {
            name: control.turned for name, control in bench.world.trimmers.items() if control.turned or control.cleaned
        }
        assert moved == {}
        with bench.history() as history:
            assert history.marks(outcome.job) == []
            turned = {"trim", "least-point", "coupled"}
            assert {row.purpose for row in history.steps(outcome.job) if row.kind in turned} == {"as found"}


QUICK = ("dead half", "blown fuse", "intermittent fuse", "runaway EHT", "dead +12 V")  # their jobs end early
UNITS = [(seed, None) for seed in range(50)] if HEAVY else [(seed, fault) for seed, fault in enumerate(QUICK, 60)]


@pytest.mark.parametrize(("seed", "fault"), UNITS)
def test_a_fault_ends_in_its_hint_and_in_no_unsafe_step(seed, fault):
    """What the fault leaves within reach is in by the truth; no kilovolts after it was seen, none unasked ever."""
    ended = restore_seeds.restored(seed, fault)
    assert ended.hint, ended.words
    assert ended.out == ()
    assert ended.unsafe == ()
    assert ended.unasked == 0
    assert ended.exit_code == (0 if not ended.fault or ended.fault.startswith("scratchy") else 1)
