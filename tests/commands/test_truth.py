"""What a unit truly is, beside what was read: each value of a step that sets several trimmers is asked for."""

from benchrig.clock import SimClock
from benchrig.commands.shipped import locate
from benchrig.commands.truth import Witness
from benchrig.procedure import load_procedure
from benchrig.session.notices import AxisEnded, StepEnded
from benchrig.ui.words import sentence

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
