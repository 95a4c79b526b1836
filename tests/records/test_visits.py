"""How a unit's values moved since it was here last: by hand-made records, and as `benchrig jobs` says it."""

from datetime import UTC, datetime, timedelta

import pytest
from click.testing import CliRunner

from benchrig.commands.records import jobs_command
from benchrig.records import History, JobFacts, SqliteStore, StepFacts, StepResult
from benchrig.records.visits import since, values_of

SPRING = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)


def visit(store, stamp, *steps, serial="SK14-0231", procedure="adjust", ended=True):
    """A job; each step is (id, purpose, value, unit, uncertainty, details)."""
    facts = JobFacts(procedure, "T", "abc", "f", "Skerry 14", serial, "Marit", "b", False, "0", "guarded")
    job = store.begin_job(facts, 0.0, stamp)
    for number, (step, purpose, value, unit, uncertainty, details) in enumerate(steps, 1):
        row = store.begin_step(StepFacts(step, "trim", step, number, purpose=purpose), 1.0, stamp)
        store.end_step(row, StepResult("pass", value, unit, uncertainty, details=details), 2.0, stamp)
    if ended:
        store.end_job("all in tolerance", 0, 3.0, stamp + timedelta(hours=1))
    return job


@pytest.fixture
def path(tmp_path):
    store = SqliteStore(tmp_path / "r.sqlite")
    visit(store, SPRING, ("eht", "as found", 10_100.0, "V", 40.0, {}), ("eht", "do", 9400.0, "V", 30.0, {}),
          ("zero", "do", 0.0, "V", 1e-4, {"as_found": -0.041}))  # fmt: skip
    visit(store, SPRING + timedelta(days=1), ("eht", "do", 1.0, "V", 1.0, {}), serial="SK14-0999")
    visit(store, SPRING + timedelta(days=2), ("eht", "do", 2.0, "V", 1.0, {}), procedure="other")
    visit(store, SPRING + timedelta(days=3), ("eht", "do", 3.0, "V", 1.0, {}), ended=False)
    visit(store, SPRING + timedelta(days=200), ("eht", "as found", 9520.0, "V", 40.0, {}),
          ("eht", "do", 9410.0, "V", 30.0, {}), ("zero", "do", 0.0, "V", 1e-4, {"as_found": 0.0001}))  # fmt: skip
    store.close()
    return tmp_path / "r.sqlite"


def test_the_last_visit_is_the_last_finished_job_of_the_same_unit_and_procedure(path):
    """Another unit's, another procedure's and one that was broken off do not count."""
    with History(path) as history:
        assert history.visit_before(history.job(5)).id == 1
        assert history.visit_before(history.job(1)) is None


def test_a_change_runs_from_as_left_then_to_as_found_now(path):
    """With the uncertainty of both measurements, in quadrature."""
    with History(path) as history:
        eht, zero = since(history.steps(1), history.steps(5))
    assert (eht.left_before, eht.found, eht.left) == (9400.0, 9520.0, 9410.0)
    assert eht.change == 120.0
    assert eht.uncertainty == pytest.approx(50.0)  # 30 and 40
    assert eht.surely
    assert zero.found == 0.0001
    assert not zero.surely


def test_as_found_is_the_first_value_or_what_the_step_itself_says(path):
    """Both ways of reading before turning."""
    with History(path) as history:
        values = values_of(history.steps(1))
    assert values["eht"].found == 10_100.0
    assert values["zero"].found == -0.041


def test_each_of_several_that_were_set_together_is_a_value_of_its_own(tmp_path):
    """The worst of them at the beginning need not be the worst of them at the end."""
    store = SqliteStore(tmp_path / "r.sqlite")
    on, off = ({"trimmer": name, "value": value, "unit": "s", "uncertainty": 1e-8} for name, value in
               (("RV43", 14.6e-6), ("RV44", 47.9e-6)))  # fmt: skip
    after = [{**on, "value": 14.0e-6, "as_found": 14.6e-6}, {**off, "value": 46.0e-6, "as_found": 47.9e-6}]
    visit(store, SPRING, ("timer", "as found", 47.9e-6, "s", 1e-8, {"axes": [on, off]}),
          ("timer", "do", 14.0e-6, "s", 2e-8, {"axes": after}))  # fmt: skip
    store.close()
    with History(tmp_path / "r.sqlite") as history:
        values = values_of(history.steps(1))
    assert {key: (it.found, it.left) for key, it in values.items()} == {
        "timer RV43": (14.6e-6, 14.0e-6),
        "timer RV44": (47.9e-6, 46.0e-6),
    }


def test_a_step_that_only_looks_has_a_value_as_found_and_none_as_left(tmp_path):
    """A wiper that was swept stands where the hand left it."""
    store = SqliteStore(tmp_path / "r.sqlite")
    seen = {"as_found": 14.6e-6, "as_found_uncertainty": 1e-8}
    for day in (0, 1):
        visit(store, SPRING + timedelta(days=day), ("wiper", "do", None, "s", None, seen))
    store.close()
    with History(tmp_path / "r.sqlite") as history:
        (it,) = values_of(history.steps(1)).values()
        assert since(history.steps(1), history.steps(2)) == []
    assert (it.found, it.uncertainty_found, it.left, it.uncertainty_left) == (14.6e-6, 1e-8, None, None)


def test_the_uncertainty_of_what_was_found_is_its_own(path, tmp_path):
    """What was read before turning had a coarser range than what was read at the end."""
    store = SqliteStore(tmp_path / "other.sqlite")
    visit(store, SPRING, ("zero", "do", 0.0, "V", 1e-4, {"as_found": -0.041, "as_found_uncertainty": 2e-3}))
    store.close()
    with History(tmp_path / "other.sqlite") as history:
        zero = values_of(history.steps(1))["zero"]
    assert (zero.uncertainty_found, zero.uncertainty_left) == (2e-3, 1e-4)


def test_jobs_says_it_in_words(path):
    """What moved, by how much, and what is within uncertainty."""
    done = CliRunner().invoke(jobs_command, ["5", "--store", str(path)], catch_exceptions=False)
    assert "Since job 1 of 2026-03-01" in done.output
    assert "moved 120 V" in done.output
    assert "not surely moved" in done.output
    first = CliRunner().invoke(jobs_command, ["1", "--store", str(path)], catch_exceptions=False)
    assert "Since job" not in first.output
