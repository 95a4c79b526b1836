"""Two trimmers that move each other's values are set as their learned effects advise."""

import os

import pytest
from turning_bench import turned, visits

from benchrig.trim.types import Way
from benchrig.ui.sentences import sentence

HEAVY = bool(os.environ.get("BENCHRIG_HEAVY"))
AXIS = """
[[step.axis]]
instrument = "meter"
function = "dc voltage"
point = "{point}"
trimmer = "{trimmer}"
target = "0 V"
window = ["-20 mV", "20 mV"]
acceptable = ["-40 mV", "40 mV"]
{more}
"""
HEAD = """
[procedure]
id = "pair"
title = "Pair"
unit = "Box"
[[step]]
id = "pair"
kind = "coupled"
title = "Pair"
as_found = false
"""


def pair(more="", step=""):
    first = AXIS.format(point="TP1", trimmer="RV1", more=more)
    return HEAD + step + first + AXIS.format(point="TP2", trimmer="RV2", more=more)


def effects(first, second):
    """Each trimmer moves its own value by 4 mV a degree, and the other's by a part of that."""
    return {"TP1": {"RV1": 4e-3, "RV2": first * 4e-3}, "TP2": {"RV1": second * 4e-3, "RV2": 4e-3}}


def alternately(first, second, at):
    """Visits of a perfect hand that sets each value to its target in turn, until both are inside."""
    values = dict(at)
    count = 0
    while any(abs(value) > 20e-3 for value in values.values()):
        if count % 2 == 0:
            values = {"TP1": 0.0, "TP2": values["TP2"] - second * values["TP1"]}
        else:
            values = {"TP1": values["TP1"] - first * values["TP2"], "TP2": 0.0}
        count += 1
    return count


@pytest.mark.parametrize("seed", range(30 if HEAVY else 4))
@pytest.mark.parametrize("strength", [(0.7, 0.75), (0.85, -0.8)], ids=["same way", "against"])
def test_strongly_coupled_trimmers_take_few_visits(tmp_path, strength, seed):
    """By the plant's own truth both are in; with at most half the visits of a perfect hand that takes them in turn."""
    at = {"TP1": 110e-3 + 1e-3 * seed, "TP2": -120e-3}
    outcome, plant, operator, _ = turned(tmp_path, pair(), effects(*strength), at, play=1.0, seed=seed)
    assert outcome.exit_code == 0
    assert all(abs(plant.true(name)) <= 20e-3 for name in at)
    assert visits(operator) <= max(3, alternately(*strength, at) / 2)


def test_what_is_right_is_left_alone(tmp_path):
    outcome, plant, operator, _ = turned(tmp_path, pair(), effects(0.5, 0.5), {"TP1": 1e-3, "TP2": -2e-3})
    assert outcome.exit_code == 0
    assert plant.turns == []
    assert operator.of_kind("turn advised") == []


def test_the_advice_is_told_shown_and_recorded(tmp_path):
    """Which, until what, and once the person has told which way it went, also which way."""
    outcome, _, operator, history = turned(tmp_path, pair(), effects(0.7, 0.6), {"TP1": 90e-3, "TP2": 80e-3})
    advice = [it for it in operator.of_kind("turn advised") if not it.counted]
    assert advice[0].trimmer == "RV1"
    assert advice[0].way is None
    assert advice[0].degrees is None
    assert sentence(advice[0]).strip().startswith("Turn RV1, until dc voltage reads")
    assert {it.way for it in advice[2:]} <= set(Way)
    with history:
        kept = [event for event in history.events(outcome.job) if event["kind"] == "turn advised"]
    assert len(kept) == len(operator.of_kind("turn advised"))


def test_about_how_far_is_told_where_the_whole_travel_is_known(tmp_path):
    """From the span in the file, for the other value too; within the third that an untaught hand can use."""
    text = pair('span = "1080 mV"')
    *_, operator, _ = turned(tmp_path, text, effects(0.7, 0.75), {"TP1": 110e-3, "TP2": -120e-3})
    known = [it for it in operator.of_kind("turn advised") if it.degrees is not None and not it.counted]
    assert known
    for it in known:
        column = {"dc voltage": 4e-3}[it.quantity]
        assert abs(it.degrees) * column == pytest.approx(abs(it.target - it.value), rel=0.5)
        assert (it.degrees > 0) == (it.way is Way.CLOCKWISE)
        assert (it.target > it.value) == (it.way is Way.CLOCKWISE)


def test_by_counted_turns_too(tmp_path):
    """The same learned directions, each turn a stated one."""
    at = {"TP1": 90e-3, "TP2": 80e-3}
    outcome, plant, operator, _ = turned(tmp_path, pair(step="counted = true\n"), effects(0.7, 0.6), at, pace=0.5)
    assert outcome.exit_code == 0
    assert all(abs(plant.true(name)) <= 20e-3 for name in at)
    assert [it.trimmer for it in operator.of_kind("turn advised") if it.counted]


def test_trimmers_that_do_the_same_thing_end_with_words(tmp_path):
    """Nothing can set two values with what is one trimmer in effect: it fails, and does not go on for ever."""
    text = pair(step="rounds = 2\n")
    outcome, *_ = turned(tmp_path, text, effects(1.0, 1.0), {"TP1": 50e-3, "TP2": -50e-3})
    assert outcome.exit_code == 1
    assert "keep fighting" in outcome.results["pair"].words
