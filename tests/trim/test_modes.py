"""Least points, coupled trimmers, counted turns."""

from __future__ import annotations

import math

import pytest

from benchrig.readings import Flag, Reading
from benchrig.trim import counted, coupled, least_point
from benchrig.trim.types import Accepted, CeilingPassed, Cue, Goal, Measured, Way, to_middle

SEARCH = least_point.Search("1", hold=0.5, settle=0.1, ceiling=5.0)


def seek(path, search=SEARCH, every=0.1):
    """A search that is shown `path` as readings; the cues as they came, and all effects."""
    state, cues, effects = least_point.start(search, 0.0), [], []
    for i, value in enumerate(path):
        reading = Reading(value, search.unit, i * every, aperture=0.05)
        state, found = least_point.step(state, Measured(reading, i * every + 0.01))
        effects += found
        cues.append(state.cue)
    return state, cues, effects


def valley(x: float) -> float:
    return 0.05 * math.sqrt(1.0 + x * x)


DOWN_AND_UP = [valley(x / 10.0) for x in range(-30, 12)]


def test_a_least_point_is_said_to_be_passed_only_after_it_was():
    _, cues, _ = seek(DOWN_AND_UP)
    assert Cue.STOP not in cues[:31]
    assert Cue.STOP in cues[31:]


def test_a_passed_least_point_shows_the_best_and_how_far_back():
    state, _, _ = seek(DOWN_AND_UP + [valley(1.3)] * 5)
    shown = least_point.view(state, 4.8)
    assert shown.cue is Cue.PASSED
    assert shown.distance == pytest.approx(0.05 - valley(1.3), abs=0.0005)
    assert "least so far 0.05" in shown.hint


def test_a_least_point_is_accepted_back_at_the_best_with_the_hands_off():
    back = [valley(x / 10.0) for x in range(13, -1, -1)] + [0.05] * 30
    _, _, effects = seek([*DOWN_AND_UP, *[valley(1.3)] * 5, *back])
    (found,) = [e for e in effects if isinstance(e, Accepted)]
    assert found.value == pytest.approx(0.05, rel=0.03)


def test_a_start_the_wrong_way_is_turned_round_and_is_no_least_point():
    """Rising from the first reading: the start is the lowest seen, and yet not the least point."""
    rising = [valley(1.0 + x / 10.0) for x in range(20)]
    state, cues, effects = seek([*rising, *rising[::-1], *[valley(1.0)] * 20])
    assert Cue.PASSED in cues
    assert not any(isinstance(e, Accepted) for e in effects)
    assert least_point.view(state, 6.0).distance is None


def test_a_greatest_point_is_found_the_same_way():
    search = least_point.Search("V", greatest=True, close=0.01, hold=0.5, settle=0.1)
    hill = [10.0 - valley(x / 10.0) * 20 for x in range(-30, 12)]
    back = [10.0 - valley(x / 10.0) * 20 for x in range(13, -1, -1)] + [9.0] * 30
    _, cues, effects = seek([*hill, *[hill[-1]] * 5, *back], search)
    assert cues[5] is Cue.UP
    assert any(isinstance(e, Accepted) for e in effects)


@pytest.mark.parametrize("flag", [Flag.CLIPPED, Flag.HOLD, Flag.BUSY, Flag.STALE])
def test_unusable_readings_never_make_a_best(flag):
    state = least_point.start(SEARCH, 0.0)
    for i in range(20):
        state, _ = least_point.step(state, Measured(Reading(0.001, "1", i / 10, flag), i / 10))
    assert state.best is None


def test_the_ceiling_ends_a_search_at_once():
    _, _, effects = seek([0.1, 6.0])
    assert CeilingPassed(6.0, pytest.approx(0.11)) in effects


TWO = (Goal(14e-6, 13.7e-6, 14.3e-6, "s"), Goal(46e-6, 45.4e-6, 46.6e-6, "s"))


def move(values, column, quantity, aim):
    """Exact trim of one quantity with one trimmer."""
    share = (aim - values[quantity]) / column[quantity]
    return [v + share * c for v, c in zip(values, column, strict=True)]


def test_two_trimmers_that_fight_are_set_in_three_moves():
    """Each moves the other's quantity by 0.8 half windows for each of its own: worked by Cramer's rule."""
    columns = ((0.3e-6, 0.48e-6), (0.24e-6, 0.6e-6))
    coupling, values, visits, last = coupled.start(TWO), [17e-6, 40e-6], [], None
    while (advice := coupled.advise(coupling, values, last)) is not None:
        after = move(values, columns[advice.trimmer], advice.quantity, advice.goal.target)
        coupling = coupled.turned(coupling, advice.trimmer, values, after)
        visits += [advice.trimmer] if advice.trimmer != last else []
        values, last = after, advice.trimmer
        assert len(visits) < 9
    assert len(visits) == 3
    assert all(g.low <= v <= g.high for v, g in zip(values, TWO, strict=True))


def test_nothing_is_advised_where_all_is_inside():
    assert coupled.advise(coupled.start(TWO), [14.1e-6, 46.2e-6]) is None


def test_trimmers_that_do_the_same_are_not_solved_for():
    """Parallel directions: each is turned to its own target, no absurd aim is told."""
    coupling = coupled.turned(coupled.start(TWO), 0, [10e-6, 40e-6], [12e-6, 44e-6])
    coupling = coupled.turned(coupling, 1, [10e-6, 40e-6], [12e-6, 44e-6])
    advice = coupled.advise(coupling, [10e-6, 46e-6])
    assert advice is not None
    assert advice.goal == TWO[0]


def test_a_change_below_half_a_window_teaches_nothing():
    start = coupled.start(TWO)
    assert coupled.turned(start, 0, [14e-6, 46e-6], [14.1e-6, 46.1e-6]) == start


def test_the_secant_of_a_straight_trimmer_needs_a_probe_and_one_turn():
    goal = to_middle(-0.002, 0.002, "V", travel=7200.0)
    state = counted.settled(counted.start(goal), -0.041)
    first = counted.ask(state)
    assert first == pytest.approx(576.0, abs=2.0)
    state = counted.settled(state, -0.041 + first * 0.006 / 360.0, first)
    second = counted.ask(state)
    assert second == pytest.approx(0.041 * 360.0 / 0.006 - first, abs=2.0)
    state = counted.settled(state, -0.041 + (first + second) * 0.006 / 360.0, second)
    assert counted.ask(state) is None


def test_a_reversal_asks_for_the_play_on_top_and_teaches_no_gain():
    goal = to_middle(0.49, 0.51, "1", travel=270.0)
    state = counted.start(goal, gain=1 / 270.0, play=5.0)
    state = counted.settled(counted.settled(state, 0.3), 0.6, 54.0)
    gain = state.gain
    back = counted.ask(state)
    assert gain is not None
    assert back == pytest.approx(-0.1 / gain - 5.0, abs=1.0)
    assert counted.settled(state, 0.55, back).gain == gain


def test_no_counted_turn_is_longer_than_half_the_travel():
    state = counted.settled(counted.start(to_middle(0.49, 0.51, "1"), gain=1e-6), 0.0)
    assert counted.ask(state) == pytest.approx(135.0, abs=1.0)


@pytest.mark.parametrize(
    ("degrees", "words"),
    [
        (450.0, "1 1/4 turns clockwise"),
        (-90.0, "1/4 turn counter-clockwise"),
        (20.0, "20 degrees clockwise"),
        (-720.0, "2 turns counter-clockwise"),
    ],
)
def test_turns_are_told_as_a_hand_counts_them(degrees, words):
    assert counted.words(degrees) == words


def test_the_other_way_of_each_way_is_the_other():
    assert [way.other for way in Way] == [Way.COUNTER_CLOCKWISE, Way.CLOCKWISE]
