"""What a unit truly is, beside what was read: each value of a step that sets several trimmers is asked for."""

import pytest

from benchrig.clock import SimClock
from benchrig.commands.options import locate
from benchrig.commands.truth import Witness, Witnessed
from benchrig.procedure import load_procedure
from benchrig.session.notices import AxisEnded, StepEnded
from benchrig.ui.sentences import sentence

TRUE = {"A4 TP42": 14.1e-6, "A4 TP42 low": 46.9e-6}
ENDED = StepEnded(
    "timer", "pass", 46.1e-6, "s", 1e-9, "", (AxisEnded("RV43", 14.0e-6, "s"), AxisEnded("RV44", 46.1e-6, "s"))
)


class Kept:
    """A record that keeps its events."""

    def __init__(self):
        self.events = []

    def event(self, row, kind, facts, now, stamp):
        self.events.append(facts)


def witness(truths=TRUE):
    kept = Kept()
    return Witness(load_procedure(locate("skerry14/wipers")), truths.get, kept, SimClock()), kept


def test_trimmers_set_together_are_held_against_their_truth_one_by_one():
    """The off-time reads 46.1 us and is 46.9: outside its window, and said so."""
    asked, kept = witness()
    asked.show(ENDED)
    assert [(it.step, it.read, it.true) for it in asked.seen.values()] == [
        ("timer RV43", 14.0e-6, 14.1e-6),
        ("timer RV44", 46.1e-6, 46.9e-6),
    ]
    assert [it.step for it in asked.outside()] == ["timer RV44"]
    assert [it["inside"] for it in kept.events] == [True, False]


def test_what_the_world_does_not_know_is_not_witnessed():
    """No truth, no row."""
    asked, kept = witness({})
    asked.show(ENDED)
    assert not asked.seen
    assert not kept.events


def test_all_values_are_told_of_a_step_that_sets_several_trimmers():
    """One line, each with its trimmer."""
    assert sentence(ENDED).strip() == "pass: RV43 14.00 us, RV44 46.10 us"


@pytest.mark.parametrize(
    ("true", "turned", "inside"),
    [
        (9555.0, True, True),  # out of the preferred window by less than the probe's uncertainty
        (9645.0, True, True),
        (9655.0, True, False),  # by more
        (9245.0, True, True),
        (9145.0, True, False),
        (9655.0, False, True),  # only looked at: the acceptable window decides
        (9705.0, False, False),
        (9095.0, False, False),
    ],
)
def test_a_setting_is_true_as_far_as_its_instruments_can_tell(true, turned, inside):
    """A probe of 1 % cannot promise a window of 1.6 %, but what decides is promised to the last volt."""
    it = Witnessed("eht", "A4 TP40", "V", 9400.0, true, 9250.0, 9550.0, (9100.0, 9700.0), turned, 100.0)
    assert it.inside is inside


def test_an_uncertainty_opens_no_acceptable_window():
    """Where the acceptable window is the preferred one, the truth has to be in it."""
    it = Witnessed("x", "TP1", "V", 5.04, 5.06, 4.95, 5.05, (4.95, 5.05), True, 0.1)
    assert not it.inside
