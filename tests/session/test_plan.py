"""The order of a job: as found first, what opens what again, loops that end, steps that are blocked and why."""

import itertools
from importlib.resources import files

import pytest
from click.testing import CliRunner

from benchrig.commands.run import run_command
from benchrig.procedure import load_procedure
from benchrig.session import plan as planning
from benchrig.session.plan import PATIENCE, Ended, Status

SHIPPED = files("benchrig.procedures") / "skerry14"


@pytest.fixture(scope="module")
def restore():
    return load_procedure(str(SHIPPED / "restore.toml"))


def all_good(procedure):
    """Everything was found right."""
    plan, answers = planning.begin(procedure), {"scratchy-vertical": "they jump"}
    for step in procedure.steps:
        plan = planning.as_found(plan, procedure, step.id, Status.GOOD, answers.get(step.id, ""))
    return plan


def opened(plan):
    return {step for step, status in plan.status.items() if status is Status.OPEN}


def test_setting_the_kilovolts_opens_width_and_height_again(restore):
    """And says why; the plan as printed says so beforehand."""
    plan = planning.ended(all_good(restore), restore, Ended("eht", Status.GOOD, changed=True))
    assert opened(plan) == {"width", "height"}
    assert plan.why["width"] == "eht was changed"
    lines = planning.printed(restore)
    at = next(n for n, line in enumerate(lines) if " eht: " in line)
    assert lines[at + 1].strip() == "a change here opens width, height again"


def test_cleaning_a_control_opens_what_it_sets(restore):
    plan = planning.ended(all_good(restore), restore, Ended("clean-vertical", Status.GOOD, changed=True))
    assert opened(plan) == {"ramp-vertical"}
    lines = planning.printed(restore)
    at = next(n for n, line in enumerate(lines) if " clean-vertical: " in line)
    assert lines[at + 1].strip() == "a change here opens ramp-vertical again"


def test_looking_again_opens_nothing(restore):
    """Only a real change does."""
    plan = planning.ended(all_good(restore), restore, Ended("eht", Status.GOOD, changed=False))
    assert opened(plan) == set()


def test_a_derived_value_follows_what_it_is_made_of(restore):
    plan = planning.ended(all_good(restore), restore, Ended("height", Status.GOOD, changed=True))
    assert opened(plan) == {"aspect", "centre-vertical"}


def test_two_that_keep_changing_each_other_are_named_and_left(restore):
    """The loop ends by itself, after a known number of rounds."""
    plan, rounds = all_good(restore), 0
    plan = planning.ended(plan, restore, Ended("width", Status.GOOD, changed=True))
    while (name := planning.next_step(plan, restore)) is not None:
        plan = planning.ended(plan, restore, Ended(name, Status.GOOD, changed=name in ("width", "centre-horizontal")))
        rounds += 1
        assert rounds < 100
    assert plan.fighting == (("centre-horizontal", "width"),)
    assert plan.rounds["width"] == PATIENCE + 1


def test_everything_measurable_is_read_before_anything_is_turned(restore):
    """What is wanted after the work only, what is looked at and what cleans are not part of it."""
    first = planning.to_read_first(restore)
    assert {"fuse", "rail-plus-12", "x-zero", "eht", "ringing", "width", "aspect", "stick-y"} <= set(first)
    assert {"intake", "power-up", "supplies-watched", "warm-up"} <= set(first)
    assert not {"hum-after", "clean-vertical", "focus", "hand-over"} & set(first)
    assert planning.printed(restore)[0].endswith(", ".join(first))


def test_a_setting_that_is_out_does_not_keep_the_rest_from_being_read(restore):
    plan = planning.begin(restore)
    while (name := planning.next_to_read(plan, restore)) is not None:
        status = Status.OPEN if restore.step(name).trimmers else Status.GOOD
        plan = planning.as_found(plan, restore, name, status)
    assert plan.read == set(planning.to_read_first(restore))
    assert planning.next_step(plan, restore) == "x-zero"


def test_a_value_that_rests_on_a_setting_still_to_be_made_is_no_fault_yet(restore):
    plan = planning.as_found(planning.begin(restore), restore, "timer-on", Status.OPEN)
    assert planning.as_found(plan, restore, "timer-duty", Status.BAD).status["timer-duty"] is Status.OPEN


@pytest.mark.parametrize(
    ("failed", "blocked_too", "why"),
    [
        ("fuse", "rail-plus-12", "needs power-up, which is blocked"),
        ("eht", "power-up", "eht failed: the unit is not to run"),
    ],
)
def test_after_a_failed_safety_step_nothing_runs_the_unit(restore, failed, blocked_too, why):
    """Not even what does not name it as a need; what is done unplugged may still be done."""
    plan = planning.as_found(planning.begin(restore), restore, failed, Status.BAD)
    plan = planning.settle(plan, restore)
    blocked = {name for name, status in plan.status.items() if status is Status.BLOCKED}
    assert {"rail-plus-12", "x-zero", "width", "hum-after", "focus"} <= blocked
    assert {"esr-c101", "hand-over"} <= opened(plan)
    assert plan.why[blocked_too] == why


def test_run_with_plan_says_what_opens_what_and_starts_nothing(tmp_path, monkeypatch):
    """The printed text; no bench is asked for, and no record is made."""
    monkeypatch.chdir(tmp_path)
    ran = CliRunner().invoke(run_command, ["skerry14/restore", "--plan"], standalone_mode=False)
    lines = [line.strip() for line in ran.output.splitlines()]
    after = {line.split(":")[0].split()[-1]: after for line, after in itertools.pairwise(lines) if ":" in line}
    assert after["eht"] == "a change here opens width, height again"
    assert after["clean-vertical"] == "a change here opens ramp-vertical again"
    assert after["clean-horizontal"] == "a change here opens ramp-horizontal again"
    assert after["centre-vertical"] == "a change here opens height, centre-horizontal again"
    assert list(tmp_path.iterdir()) == []
