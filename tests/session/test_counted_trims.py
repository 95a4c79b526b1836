"""A reading too slow to follow with the hand: stated parts of a turn, let go, say so, read, and the next."""

import os
import statistics

import pytest
from turning_bench import Ears, turned

from benchrig.session.operators import Command
from benchrig.trim.types import Way

RUNS = 200 if os.environ.get("BENCHRIG_HEAVY") else 6
TEXT = """
[procedure]
id = "slow"
title = "Slow"
unit = "Box"
[[step]]
id = "slow"
kind = "trim"
title = "Slow"
as_found = false
instrument = "meter"
function = "dc voltage"
point = "TP1"
trimmer = "RV1"
target = "5 V"
window = ["4.9166 V", "5.0834 V"]
acceptable = ["4.8 V", "5.2 V"]
{more}
"""
PER_DEGREE = 10.0 / 270.0  # the window is 1/60 of the whole travel


def slow(tmp_path, at=3.2, *, more="", pace=2.0, per_degree=PER_DEGREE, **plant):
    text = TEXT.format(more=more)
    return turned(tmp_path, text, {"TP1": {"RV1": per_degree}}, {"TP1": at}, pace=pace, **plant)


@pytest.mark.parametrize(("more", "counted"), [("", True), ("counted = true", True), ("counted = false", False)])
def test_the_pace_of_the_reading_chooses_unless_the_file_does(tmp_path, more, counted):
    """A reading every two seconds cannot be followed with the hand."""
    outcome, _, operator, _ = slow(tmp_path, more=more)
    assert outcome.exit_code == 0
    assert bool(operator.of_kind("turn advised")) is counted


@pytest.mark.parametrize("per_degree", [PER_DEGREE, -PER_DEGREE], ids=["clockwise raises", "clockwise lowers"])
def test_a_window_of_a_sixtieth_of_the_travel_is_met_in_five_turns_on_median(tmp_path, per_degree):
    """By the plant's own truth; with a hand that is 8 % and a degree off, and play of one degree."""
    counts = []
    for seed in range(RUNS):
        folder = tmp_path / str(seed)
        folder.mkdir()
        outcome, plant, operator, _ = slow(folder, 1.0 + 8.0 * seed / RUNS, per_degree=per_degree, seed=seed, play=1.0)
        assert outcome.exit_code == 0
        assert 4.9 <= plant.true("TP1") <= 5.1
        counts.append(len(operator.of_kind("turn advised")))
    assert statistics.median(counts) <= 5
    assert max(counts) <= 12


def test_each_turn_is_stated_and_nothing_is_turned_meanwhile(tmp_path):
    """The hand moves only between an advice and its answer; each advice and each answer is in the record."""
    outcome, _, operator, history = slow(tmp_path)
    advice = operator.of_kind("turn advised")
    assert advice
    assert all(it.counted and it.degrees and (it.degrees > 0) == (it.way is Way.CLOCKWISE) for it in advice)
    asked = [notice.asked for notice in operator.of_kind("trim") if notice.asked]
    assert asked
    with history:
        events = history.events(outcome.job)
    assert len([e for e in events if e["kind"] == "turn advised"]) == len(advice)
    told = [e for e in events if e["kind"] == "command" and "turned" in str(e["facts"])]
    assert len(told) == len(advice)


def test_a_reading_that_lags_is_waited_for(tmp_path):
    """Six seconds behind: the file says so, and no turn is judged by a reading from before it."""
    outcome, plant, operator, _ = slow(tmp_path, pace=0.2, lag=6.0, more='settle = "7 s"')
    assert outcome.exit_code == 0
    assert 4.9 <= plant.true("TP1") <= 5.1
    assert len(operator.of_kind("turn advised")) <= 8


class OtherWay:
    """Somebody who turns as far as asked but the other way, once, and says so."""

    def __init__(self, operator, plant):
        self._operator, self._plant, self._left, self._said = operator, plant, 1, []

    def __getattr__(self, name):
        return getattr(self._operator, name)

    def notify(self, notice):
        first = notice.kind == "trim" and notice.view.asks == 1 and notice.view.asked is not None
        if first and self._left:
            self._left -= 1
            self._plant.turn(notice.trimmer, -notice.view.asked)
            self._said.append(Command("turned", str(notice.view.turn.other)))
        elif not first:
            self._operator.notify(notice)

    def commands(self):
        said, self._said = self._said, []
        return [*said, *self._operator.commands()]


def test_a_turn_told_to_have_gone_the_other_way_teaches_the_right_gain(tmp_path, monkeypatch):
    """It is one turn more, and not two."""
    import turning_bench

    monkeypatch.setattr(turning_bench, "Ears", lambda operator, clock: OtherWayEars(operator, clock))
    outcome, plant, operator, _ = slow(tmp_path)
    assert outcome.exit_code == 0
    assert 4.9 <= plant.true("TP1") <= 5.1
    assert len(operator.of_kind("turn advised")) <= 6


class OtherWayEars(Ears):
    def __init__(self, operator, clock):
        super().__init__(OtherWay(operator, operator._hands), clock)


def test_a_trimmer_that_moves_nothing_is_said_and_never_accepted(tmp_path):
    """The wrong one, or the end of its travel."""
    outcome, _, operator, _ = slow(tmp_path, per_degree=0.0, pace=2.0)
    assert outcome.exit_code == 1
    assert any("Nothing moves" in notice.words for notice in operator.of_kind("said"))


def test_the_ceiling_is_watched_while_the_hand_turns(tmp_path):
    """An asked turn that goes far beyond: the job ends at the first reading above, nothing waits for the person."""
    more = 'ceiling = "6 V"'
    outcome, *_ = slow(tmp_path, at=4.0, per_degree=40 * PER_DEGREE, more=more)
    assert outcome.exit_code == 1
    assert "above 6.000 V" in outcome.words
