"""A reading that still moves is not taken for one that stands: the slope of a look, and the trim that waits for it."""

import math

import numpy as np
import pytest

from benchrig.readings import Reading
from benchrig.trim import creep, engine
from benchrig.trim.types import Accepted, Creep, Cue, Goal, Measured

RATE = 10.0
GOAL = Goal(12.0, 11.85, 12.15, "V", hold=1.5, settle=0.1)


def row(value, seconds, sigma=1e-3, seed=1, count=1e-4):
    """Readings of `value(t)` with noise, as a display with this count shows them."""
    noise = np.random.default_rng(seed).normal(0.0, sigma, int(seconds * RATE) + 1)
    shown = (round((value(i / RATE) + e) / count) * count for i, e in enumerate(noise))
    return [Reading(it, "V", i / RATE, resolution=count) for i, it in enumerate(shown)]


def trim(value, seconds, **more):
    """(state, accepted or None) of a trim that sees this with the hands off."""
    state = engine.start(GOAL, 0.0)
    for reading in row(value, seconds, **more):
        state, effects = engine.step(state, Measured(reading, reading.time + 0.01))
        if found := next((it for it in effects if isinstance(it, Accepted)), None):
            return state, found
    return state, None


def test_a_slope_and_its_uncertainty_are_those_of_ordinary_least_squares():
    """Against numpy.polyfit with its covariance, an independent reference."""
    readings = row(lambda t: 12.0 + 0.005 * t, 20.0)
    times, values = [it.time for it in readings], [it.value for it in readings]
    (slope, _), covariance = np.polyfit(times, values, 1, cov=True)
    found = creep.suspected(readings, 11.85, 12.15)
    assert found.rate == pytest.approx(slope)
    assert found.uncertainty == pytest.approx(math.sqrt(covariance[0, 0]))


def test_what_leads_out_of_the_window_before_anybody_looks_again_is_told_with_its_time():
    """5 mV a second and a quarter of a window left."""
    found = creep.creeping(row(lambda t: 12.0 + 0.005 * t, 20.0), 11.85, 12.15)
    assert found.rate == pytest.approx(0.005, rel=0.02)
    assert found.leaves == pytest.approx((12.15 - 12.0 - 0.005 * 17.5) / 0.005, rel=0.05)
    assert Creep(0.005, 1e-4, 240.0, 20.0).words("V") == (
        "still rising, 300 mV a minute; out of its window in about 4 min at this rate"
    )
    assert Creep(-0.005, 1e-4, 40.0, 20.0).words("V").endswith("in about 40 s at this rate")


@pytest.mark.parametrize(
    "value",
    [
        lambda t: 12.0,
        lambda t: 12.0 + 1e-4 * t,  # 25 minutes to the edge
        lambda t: 12.2 + 0.005 * t,  # out already: that is another verdict
        lambda t: 12.0 + 0.05 * math.sin(2.0 * math.pi * t / 15.0),  # a beat
        lambda t: 12.0 - 0.1 * math.exp(-t / 2.0),  # came to rest meanwhile
    ],
)
def test_what_stands_leaves_too_late_or_turns_is_none(value):
    assert creep.creeping(row(value, 20.0), 11.85, 12.15) is None


def test_one_count_of_a_coarse_display_is_no_creep():
    """It goes from one code to the next in the middle of the look, as a value between the two does."""
    readings = row(lambda t: 12.0 if t < 10.0 else 12.01, 20.0, sigma=0.0, count=0.01)
    assert creep.creeping(readings, 11.85, 12.15) is None


def test_a_side_that_is_open_is_never_left():
    readings = row(lambda t: 12.0 + 0.005 * t, 20.0)
    assert creep.creeping(readings, 11.85, math.inf) is None
    assert creep.creeping(readings, -math.inf, 12.15) is not None


def test_a_trim_that_stands_is_accepted_at_the_end_of_its_hold():
    """No wait is added where nothing speaks for a creep."""
    _, found = trim(lambda t: 12.0, 5.0)
    assert found.now < GOAL.hold + 0.2
    assert found.creep is None


def test_a_trim_that_creeps_is_waited_for_and_then_accepted_as_creeping():
    """1 mV a second from 12.0 V: out of the window in two minutes. The gauge says so, with the hands off."""
    state, found = trim(lambda t: 12.0 + 0.001 * t, 15.0, sigma=2e-4)
    assert found is None
    shown = engine.view(state, 15.0)
    assert shown.cue is Cue.GOOD
    assert shown.hint.startswith("still rising, 60 mV a minute; out of its window in about 2 min")
    _, found = trim(lambda t: 12.0 + 0.001 * t, 30.0, sigma=2e-4)
    assert found.creep.rate == pytest.approx(0.001, rel=0.1)
    assert GOAL.hold + creep.PATIENCE <= found.now < GOAL.hold + creep.PATIENCE + 1.0


def test_a_trim_whose_creep_comes_to_rest_is_accepted_as_standing():
    """A few seconds' time constant: waited for, and no word of it in the acceptance."""
    _, found = trim(lambda t: 12.0 - 0.02 * math.exp(-t / 3.0), 30.0, sigma=2e-4)
    assert found.now > GOAL.hold + 1.0
    assert found.creep is None


def test_a_trim_that_creeps_out_of_its_window_while_it_is_waited_for_is_turned_back():
    """What was good becomes a cue to turn, not an acceptance."""
    state, found = trim(lambda t: 12.1 + 0.005 * t, 16.0, sigma=2e-4)
    assert found is None
    assert state.move.way == -1.0


def test_a_beat_that_holds_a_trim_for_ever_is_said():
    """Half the window to and fro, once in 7 s: it never stands, and the gauge says that it swings, and by how much."""
    state, found = trim(lambda t: 12.0 + 0.1 * math.sin(2.0 * math.pi * t / 7.0), 40.0)
    assert found is None
    shown = engine.view(state, 40.0)
    assert shown.cue is Cue.GOOD
    assert shown.hint == "swings by 204 mV and does not stand"


@pytest.mark.parametrize("rate", [1.3, 3.0])
def test_a_creep_that_breaks_every_hold_of_a_slow_meter_is_not_forgotten_with_it(rate):
    """3 % of the window a second: within a few readings the row of the hold shows a movement, and begins again."""
    state, found = engine.start(GOAL, 0.0), None
    for i in range(int(60.0 * rate)):
        value = 12.03 + 0.108 * (1.0 - math.exp(-i / rate / 30.0))
        reading = Reading(value + 1e-4 * (-1) ** i, "V", i / rate, resolution=1e-4)
        state, effects = engine.step(state, Measured(reading, reading.time))
        found = found or next((it for it in effects if isinstance(it, Accepted)), None)
    assert found is None or found.creep is not None or found.now > 40.0


def test_a_creep_that_begins_after_the_acceptance_is_told_with_its_time_to_the_edge():
    """12 V within 0.15 V; accepted at rest, then it rises by 10 mV a second: 0.15 V are gone in 15 s."""
    state, found = trim(lambda t: 12.0, 5.0)
    assert found is not None
    assert engine.view(state, state.now).hint == ""
    begun, told = state.now, None
    for i in range(1, 60):
        now = begun + 0.2 * i
        value = 12.0 + 0.01 * 0.2 * i
        state, _ = engine.step(state, Measured(Reading(value, "V", now, resolution=1e-4, aperture=0.05), now))
        if told is None and engine.view(state, now).hint:
            told = now - begun, engine.view(state, now).hint
    assert told is not None
    assert told[0] <= 6.0
    assert "still rising" in told[1]
    assert "out of its window in about" in told[1]
    assert engine.view(state, state.now).cue is Cue.ACCEPTED
