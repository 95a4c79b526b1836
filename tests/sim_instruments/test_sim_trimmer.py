"""A trimmer under a screwdriver."""

import math

import numpy as np
import pytest
from benchrig.sim_instruments.trimmer import SimulatedTrimmer

from benchrig.clock import SimClock


def make(**settings: float | bool) -> tuple[SimClock, SimulatedTrimmer]:
    """A quiet trimmer in the middle of its travel, with one degree of backlash, at second 100."""
    clock = SimClock(100.0)
    usual: dict[str, float | bool] = {"travel": 270.0, "at": 135.0, "backlash": 1.0, "roughness": 0.0}
    return clock, SimulatedTrimmer("RV9", clock, **(usual | settings))  # type: ignore[arg-type]


def test_wiper_follows_after_the_play_is_taken_up() -> None:
    """From the middle of the play half a degree is lost, and a whole one on each reversal."""
    _, trimmer = make()
    trimmer.turn(10.0)
    assert trimmer.resting == pytest.approx(144.5)
    trimmer.turn(-0.9)
    assert trimmer.resting == pytest.approx(144.5)
    trimmer.turn(-5.1)
    assert trimmer.resting == pytest.approx(139.5)


def test_small_turns_add_up_to_one_large_turn() -> None:
    """A hand's twenty moves a second end where one sweep does."""
    _, sweep = make()
    _, steps = make()
    sweep.turn(37.0)
    for _ in range(370):
        steps.turn(0.1)
    assert steps.resting == pytest.approx(sweep.resting)
    assert steps.shaft == pytest.approx(sweep.shaft)


def test_hard_stop_lets_nothing_through() -> None:
    """The move that was possible is returned; the wiper stays on the track."""
    _, trimmer = make()
    assert trimmer.turn(500.0) == pytest.approx(135.5)
    assert trimmer.turn(5.0) == 0.0
    assert trimmer.resting == 270.0


def test_clutch_slips_and_catches_at_once_on_the_way_back() -> None:
    """A multi-turn screw turns on at its end, and comes back without unwinding what slipped."""
    _, trimmer = make(travel=7200.0, at=7100.0, clutch=True)
    assert trimmer.turn(1000.0) == 1000.0
    assert trimmer.resting == 7200.0
    trimmer.turn(-361.0)
    assert trimmer.resting == pytest.approx(6840.0)


def test_tapped_value_lags_behind_the_wiper() -> None:
    """One time constant after a turn 63.2 % of it shows."""
    clock, trimmer = make(lag=0.06, backlash=0.0)
    trimmer.turn(10.0)
    assert trimmer.position() == 135.0
    clock.sleep_until(100.06)
    assert trimmer.position() == pytest.approx(135.0 + 10.0 * (1.0 - math.exp(-1.0)))


def test_many_moments_at_once_agree_with_one_at_a_time() -> None:
    """In the middle of a series of turns."""
    clock, trimmer = make(roughness=0.02)
    for step in range(20):
        clock.sleep_until(100.0 + 0.05 * step)
        trimmer.turn(3.0)
    times = np.linspace(99.5, 102.0, 501)
    together = trimmer.at(times)
    assert isinstance(together, np.ndarray)
    alone = [float(np.broadcast_to(trimmer.at(np.array([t])), (1,))[0]) for t in times]
    assert together == pytest.approx(alone, abs=1e-9)


def test_scratchy_wiper_crackles_while_it_moves_and_only_then() -> None:
    """Percents of the travel just after a move, nothing three seconds later."""
    clock, trimmer = make(roughness=0.03)
    trimmer.turn(10.0)
    soon = np.linspace(100.0, 100.05, 200)
    assert np.max(np.abs(np.asarray(trimmer.at(soon)) - [trimmer.position(t) for t in soon])) > 0.01 * 270.0
    clock.sleep_until(104.0)
    assert trimmer.at(np.linspace(103.0, 104.0, 50)) == trimmer.resting


def test_cleaning_makes_it_quiet_and_moves_the_setting() -> None:
    """What it sets has to be set again: more than a degree, less than ten."""
    clock, trimmer = make(roughness=0.03)
    trimmer.clean()
    assert trimmer.cleaned
    assert 1.0 < abs(trimmer.resting - 135.0) < 10.0
    clock.sleep_until(110.0)
    trimmer.turn(10.0)
    soon = np.linspace(110.0, 110.05, 200)
    assert np.max(np.abs(np.asarray(trimmer.at(soon)) - [trimmer.position(t) for t in soon])) < 0.1


def test_same_seed_same_noise() -> None:
    """And another seed another noise."""
    noises = []
    for seed in (1, 1, 2):
        _, trimmer = make(roughness=0.03, seed=seed)
        trimmer.turn(10.0)
        noises.append(np.asarray(trimmer.at(np.linspace(100.0, 100.1, 50))))
    assert np.array_equal(noises[0], noises[1])
    assert not np.array_equal(noises[0], noises[2])


@pytest.mark.parametrize("degrees", [math.nan, math.inf])
def test_impossible_turns_are_refused(degrees: float) -> None:
    """Nothing happens to the trimmer."""
    _, trimmer = make()
    with pytest.raises(ValueError, match="cannot turn"):
        trimmer.turn(degrees)
    assert trimmer.shaft == 135.0


def test_a_position_off_the_track_is_refused() -> None:
    """With the travel in the message."""
    with pytest.raises(ValueError, match=r"0 \.\. 270"):
        make(at=300.0)
