"""The simulated eye and hand keep to the human limits they are built from."""

from __future__ import annotations

import pytest
from benchrig.sim_instruments.hand import Hand, Sight, Traits

DT = 0.02


def turn(hand: Hand, seen: Sight, seconds: float, start: float = 0.0) -> list[float]:
    return [hand.step(start + i * DT, seen) for i in range(round(seconds / DT))]


def test_nothing_moves_before_the_reaction_has_passed():
    moves = turn(Hand(Traits(reaction=0.3), 1.0), Sight(0.0, 100.0, 1.0), 1.0)
    assert not any(moves[:15])
    assert any(moves[15:20])


def test_with_digits_the_speed_is_the_gain_times_the_error():
    """Crossover model: 1 rad/s and 60 degrees of error make 60 degrees per second."""
    moves = turn(Hand(Traits(gain=1.0, remnant=0.0), 1.0), Sight(40.0, 100.0, 1.0), 2.0)
    assert moves[-1] / DT == pytest.approx(60.0)


def test_no_hand_is_faster_than_its_top_speed():
    moves = turn(Hand(Traits(gain=3.0, remnant=0.0, top_speed=200.0), 1.0), Sight(0.0, 1e6, 1.0), 1.0)
    assert max(moves) <= 200.0 * DT + 1e-9


def test_a_resting_hand_makes_no_move_smaller_than_its_least():
    moves = turn(Hand(Traits(gain=1.0, least_move=2.0, remnant=0.0), 1.0), Sight(0.0, 3.0, 1.0), 3.0)
    first = next(m for m in moves if m)
    assert first >= 2.0


def test_inside_the_window_a_hand_with_digits_rests():
    assert not any(turn(Hand(Traits(), 1.0), Sight(99.5, 100.0, 1.0), 3.0))


@pytest.mark.parametrize(
    "cue", ["wait", "stop", "good, hands off", "accepted", "ceiling", "link lost", "nothing moves"]
)
def test_a_cue_that_asks_for_still_hands_is_obeyed(cue):
    assert not any(turn(Hand(Traits(), 1.0), Sight(0.0, 100.0, 1.0, cue), 3.0))


@pytest.mark.parametrize(("cue", "way"), [("turn up", 1), ("slowly up", 1), ("turn down", -1), ("slowly down", -1)])
def test_a_cue_turns_the_way_believed_to_do_it(cue, way):
    seen = Sight(0.0, 100.0 * way, 1.0, cue)
    assert sum(turn(Hand(Traits(), 1.0), seen, 1.0)) * way > 0.0
    assert sum(turn(Hand(Traits(), 1.0, raises=-1.0), seen, 1.0)) * way < 0.0


def test_a_told_way_is_taken_over_the_believed_one():
    seen = Sight(0.0, 100.0, 1.0, "turn up", "counter-clockwise")
    assert sum(turn(Hand(Traits(), 1.0), seen, 1.0)) < 0.0


def test_back_is_the_other_way_than_it_was_turned():
    hand = Hand(Traits(), 1.0)
    turn(hand, Sight(0.0, 100.0, 1.0, "turn up"), 1.0)
    turn(hand, Sight(120.0, 100.0, 1.0, "stop"), 1.0, 1.0)
    assert sum(turn(hand, Sight(120.0, 100.0, 1.0, "back"), 2.0, 2.0)) < 0.0


def test_a_hand_notices_that_the_reading_goes_the_wrong_way():
    hand, value = Hand(Traits(), 1.0), 0.0
    for i in range(1500):
        value -= hand.step(i * DT, Sight(value, 100.0, 1.0))
    assert hand.raises == -1.0
    assert value > 50.0


def test_the_same_seed_is_the_same_hand():
    seen = Sight(0.0, 100.0, 1.0)
    assert turn(Hand(Traits(), 1.0, seed=3), seen, 2.0) == turn(Hand(Traits(), 1.0, seed=3), seen, 2.0)
    assert turn(Hand(Traits(), 1.0, seed=3), seen, 2.0) != turn(Hand(Traits(), 1.0, seed=4), seen, 2.0)
