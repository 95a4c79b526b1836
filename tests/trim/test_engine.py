"""The trim engine: what it believes, what it says, and when it accepts."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

import pytest

from benchrig.readings import Flag, Reading
from benchrig.trim import engine
from benchrig.trim.types import (
    Accepted,
    CeilingPassed,
    Cue,
    Cued,
    Goal,
    Known,
    LinkDown,
    LinkUp,
    Measured,
    Restart,
    Tick,
    TrimEffect,
    TrimEvent,
    Turned,
    Way,
)

GOAL = Goal(9400.0, 9250.0, 9550.0, "V", hold=1.0, settle=0.1, ceiling=10400.0)
FOLLOWED = replace(GOAL, counted=False)


def at(value: float | None, time: float, flags: Flag = Flag.NONE, **more: object) -> Measured:
    """A reading that arrives 10 ms after it was measured."""
    reading = Reading(value, "V", time, flags, **{"aperture": 0.05, **more})  # type: ignore[arg-type]
    return Measured(reading, time + 0.01)


def run(state: engine.TrimState, events: Iterable[TrimEvent]) -> tuple[engine.TrimState, list[TrimEffect]]:
    """Every event in turn, and all effects."""
    effects: list[TrimEffect] = []
    for event in events:
        state, found = engine.step(state, event)
        effects += found
    return state, effects


def still(value: float, start: float, count: int, every: float = 0.2) -> list[TrimEvent]:
    """A reading that stands."""
    return [at(value, start + i * every) for i in range(count)]


def accepted(effects: Iterable[TrimEffect]) -> list[Accepted]:
    return [e for e in effects if isinstance(e, Accepted)]


def test_accepts_a_reading_that_stands_inside_for_the_hold_time():
    """Six readings, 0.2 s apart, span the hold of 1 s."""
    state, effects = run(engine.start(GOAL, 0.0), still(9400.0, 0.0, 6))
    (found,) = accepted(effects)
    assert (found.value, found.low, found.high, found.readings) == (9400.0, 9400.0, 9400.0, 6)
    assert engine.view(state, 1.1).cue is Cue.ACCEPTED
    assert engine.view(state, 1.1).held == 1.0


def test_does_not_accept_before_the_hold_time():
    state, effects = run(engine.start(GOAL, 0.0), still(9400.0, 0.0, 5))
    assert not accepted(effects)
    assert engine.view(state, 0.9).cue is Cue.GOOD
    assert engine.view(state, 0.9).held == pytest.approx(0.8)


def test_time_alone_never_accepts():
    """One good reading and then only ticks."""
    _, effects = run(engine.start(GOAL, 0.0), [at(9400.0, 0.0), *(Tick(i / 10) for i in range(1, 100))])
    assert not accepted(effects)


@pytest.mark.parametrize(
    "flag",
    [
        Flag.HOLD,
        Flag.MINMAX,
        Flag.RELATIVE,
        Flag.STALE,
        Flag.BUSY,
        Flag.UNSETTLED,
        Flag.CLIPPED,
        Flag.INVALID,
        Flag.UNDERLOAD,
    ],
)
def test_a_reading_that_is_not_usable_restarts_the_hold(flag):
    """0.8 s inside, one unusable reading, 0.8 s inside: not held."""
    events = [*still(9400.0, 0.0, 5), at(9400.0, 1.0, flag), *still(9400.0, 1.2, 5)]
    state, effects = run(engine.start(GOAL, 0.0), events)
    assert not accepted(effects)
    assert accepted(run(state, still(9400.0, 2.2, 1))[1])


def test_readings_in_another_unit_never_count():
    """A meter whose knob stands on ohms."""
    state, effects = run(engine.start(GOAL, 0.0), [at(9400.0, i / 5) for i in range(3)])
    events = [Measured(Reading(9400.0, "ohm", 1 + i / 5), 1 + i / 5) for i in range(20)]
    state, effects = run(state, events)
    assert not accepted(effects)
    assert "ohm" in engine.view(state, 5.0).hint


def test_a_knob_that_stands_elsewhere_is_named():
    """So that the hand goes there, and not to the trimmer."""
    events = [Measured(Reading(None, "V", i / 5, flags=Flag.WRONG_FUNCTION), i / 5) for i in range(20)]
    state, effects = run(engine.start(GOAL, 0.0), events)
    assert not accepted(effects)
    assert "knob" in engine.view(state, 4.0).hint


def test_the_same_reading_again_is_no_evidence():
    """A display that is polled faster than it measures."""
    reading = Reading(9400.0, "V", 0.0)
    _, effects = run(engine.start(GOAL, 0.0), [Measured(reading, i / 20) for i in range(28)])
    assert not accepted(effects)


def test_old_readings_and_readings_from_the_future_never_count():
    for offset in (2.0, -0.5):
        events = [Measured(Reading(9400.0, "V", i / 5 - offset), i / 5) for i in range(30)]
        _, effects = run(engine.start(GOAL, 0.0), events)
        assert not accepted(effects)


def test_a_gap_in_the_readings_restarts_the_hold():
    events = [*still(9400.0, 0.0, 5), *still(9400.0, 2.6, 5)]
    assert not accepted(run(engine.start(GOAL, 0.0), events)[1])


@pytest.mark.parametrize("event", [LinkDown(0.85), LinkUp(0.85), Restart(0.85)])
def test_a_link_that_goes_or_comes_and_a_restart_restart_the_hold(event):
    events = [*still(9400.0, 0.0, 5), event, *still(9400.0, 1.0, 5)]
    _state, effects = run(engine.start(GOAL, 0.0), events)
    assert not accepted(effects)


def test_nothing_counts_while_the_link_is_down():
    state, effects = run(engine.start(GOAL, 0.0), [LinkDown(0.0), *still(9400.0, 0.1, 20)])
    assert not accepted(effects)
    assert engine.view(state, 4.0).cue is Cue.LOST


def test_a_measurement_begun_before_a_restart_does_not_count_after_it():
    state, _ = run(engine.start(GOAL, 0.0), [Restart(1.0), at(9400.0, 1.02)])
    assert engine.view(state, 1.03).value is None


def test_a_range_change_restarts_the_hold():
    """Resolution and loading have stepped."""
    events = [*still(9400.0, 0.0, 5), at(9400.0, 1.0, Flag.RANGE_CHANGED), *still(9400.0, 1.2, 4)]
    state, effects = run(engine.start(GOAL, 0.0), events)
    assert not accepted(effects)
    assert accepted(run(state, still(9400.0, 2.0, 1))[1])


def test_a_slow_turn_through_the_window_is_not_accepted():
    """Inside for longer than the hold time, but never at rest."""
    events = [at(9300.0 + 20.0 * i, 0.2 * i) for i in range(12)]
    _state, effects = run(engine.start(GOAL, 0.0), events)
    assert not accepted(effects)


def test_a_step_inside_the_window_restarts_the_hold():
    events = [*still(9380.0, 0.0, 5), *still(9450.0, 1.0, 5)]
    assert not accepted(run(engine.start(GOAL, 0.0), events)[1])


def test_noisy_readings_near_the_edge_are_not_accepted():
    """The mean must lie inside by three of its standard deviations, not only the readings."""
    noise = (-30.0, 28.0, -4.0, 26.0, -29.0, 9.0)
    events = [at(9515.0 + n, 0.2 * i) for i, n in enumerate(noise)]
    assert not accepted(run(engine.start(GOAL, 0.0), events)[1])


@pytest.mark.parametrize("flags", [Flag.NONE, Flag.HOLD, Flag.STALE, Flag.BUSY])
@pytest.mark.parametrize("value", [10401.0, -10401.0, math.inf])
def test_a_number_above_the_ceiling_ends_the_trim_whatever_its_flags(value, flags):
    state, effects = run(engine.start(GOAL, 0.0), [at(9400.0, 0.0), at(value, 0.2, flags)])
    assert CeilingPassed(value, pytest.approx(0.21)) in effects
    assert engine.view(state, 0.3).cue is Cue.CEILING
    assert not accepted(run(state, still(9400.0, 0.4, 20))[1])


def test_overload_under_a_ceiling_is_above_it():
    _, effects = run(engine.start(GOAL, 0.0), [at(None, 0.0, Flag.OVERLOAD)])
    assert effects[0] == CeilingPassed(None, 0.01)


def test_overload_without_a_ceiling_only_stops_the_hands():
    goal = Goal(0.0, -0.002, 0.002, "V")
    state, _effects = run(engine.start(goal, 0.0), [at(1.0, 0.0), at(None, 0.1, Flag.OVERLOAD)])
    assert engine.view(state, 0.12).cue is Cue.WAIT
    assert engine.view(state, 0.12).hint == "overload"


def test_the_ceiling_is_watched_after_acceptance_too():
    state, _ = run(engine.start(GOAL, 0.0), still(9400.0, 0.0, 6))
    _, effects = run(state, [at(10500.0, 1.2)])
    assert isinstance(effects[0], CeilingPassed)


def test_only_a_restart_leaves_the_ceiling_cue():
    state, _ = run(engine.start(GOAL, 0.0), [at(10500.0, 0.0), LinkDown(0.1), LinkUp(0.2), Tick(0.3)])
    assert state.cue is Cue.CEILING
    state, effects = run(state, [Restart(0.4)])
    assert effects == [Cued(Cue.WAIT, None)]


@pytest.mark.parametrize(("value", "cue"), [(10100.0, Cue.DOWN), (8000.0, Cue.UP), (9600.0, Cue.SLOW_DOWN)])
def test_far_readings_ask_for_a_turn_and_near_ones_for_a_slow_one(value, cue):
    _state, effects = run(engine.start(GOAL, 0.0), [at(value, 0.0)])
    assert effects == [Cued(cue, pytest.approx(9400.0 - value))]


def test_stop_comes_by_itself_before_the_reading_shows_it():
    """A slow meter: the view says "stop" between two readings, without any event."""
    state, _ = run(engine.start(FOLLOWED, 0.0), [at(10100.0, 0.0, aperture=0.4)])
    assert engine.view(state, 0.3).cue is Cue.DOWN
    assert engine.view(state, 0.5).cue is Cue.STOP


def test_no_turn_is_asked_for_until_the_reading_has_caught_up():
    """Readings that began before the hand can have stopped and the value settled decide nothing."""
    state, _ = run(engine.start(FOLLOWED, 0.0), [at(10100.0, 0.0), Tick(0.6)])
    stop = 0.41  # first stretch
    state, _ = run(state, [at(9900.0, stop + 0.4, aperture=0.3)])
    assert state.cue is Cue.STOP
    state, _ = run(state, [at(9900.0, stop + 0.9, aperture=0.3)])
    assert state.cue is not Cue.STOP


def test_gone_past_says_back():
    state, _ = run(engine.start(FOLLOWED, 0.0), [at(10100.0, 0.0), Tick(0.6), at(9100.0, 1.2)])
    assert state.cue is Cue.PASSED


def test_a_stale_reading_is_shown_as_such_and_stops_the_hands():
    state, _ = run(engine.start(GOAL, 0.0), [at(10100.0, 0.0)])
    shown = engine.view(state, 1.7)
    assert shown.stale
    assert shown.cue is Cue.WAIT


def test_a_busy_signal_asks_to_wait_for_the_quiet_phase():
    state, _effects = run(engine.start(GOAL, 0.0), [at(9400.0, 0.0), at(9400.0, 0.2, Flag.BUSY)])
    assert state.cue is Cue.QUIET


def moved_up(state: engine.TrimState) -> engine.TrimState:
    return run(state, [at(8000.0, 0.0), Tick(0.6), at(8300.0, 1.2)])[0]


@pytest.mark.parametrize(
    ("said", "raises"), [(Way.CLOCKWISE, Way.CLOCKWISE), (Way.COUNTER_CLOCKWISE, Way.COUNTER_CLOCKWISE)]
)
def test_the_way_is_spoken_once_it_was_told(said, raises):
    """The reading rose while "clockwise" was said, for a try; the operator may say that the turn went the other way."""
    state = moved_up(engine.start(FOLLOWED, 0.0))
    assert engine.view(state, 1.25).turn is Way.CLOCKWISE
    state, _ = run(state, [Turned(said, 1.25)])
    assert engine.view(state, 1.25).turn is raises
    assert engine.learned(state).raises is raises


def test_what_was_learned_is_used_the_next_time():
    known = Known(raises=Way.COUNTER_CLOCKWISE)
    state, _ = run(engine.start(GOAL, 0.0, known), [at(10100.0, 0.0)])
    assert engine.view(state, 0.1).turn is Way.CLOCKWISE


def test_saying_a_way_before_anything_moved_teaches_nothing():
    state, _ = run(engine.start(GOAL, 0.0), [at(8000.0, 0.0), Turned(Way.CLOCKWISE, 0.1)])
    assert engine.learned(state).raises is None


def test_the_wrong_way_is_told_the_right_one_at_once():
    """Clockwise was a try, and the reading fell: the cue goes on without a stop, with the other way."""
    state, _ = run(engine.start(GOAL, 0.0), [at(8000.0, 0.0)])
    assert engine.view(state, 0.1).turn is Way.CLOCKWISE
    state, _ = run(state, [at(7800.0, 0.35)])
    assert engine.view(state, 0.36).turn is Way.COUNTER_CLOCKWISE
    assert state.cue is Cue.UP


def test_what_a_hand_does_before_it_has_heard_the_other_way_says_nothing_of_it():
    state, _ = run(engine.start(GOAL, 0.0), [at(8000.0, 0.0), at(7800.0, 0.35), at(7600.0, 0.6), at(7500.0, 0.85)])
    state, _ = run(state, [at(7490.0, 1.1), at(7600.0, 1.4), at(7800.0, 1.6)])
    assert engine.learned(state).raises is Way.COUNTER_CLOCKWISE


def test_a_jumping_wiper_is_named_and_remembered():
    values = [8000.0, 8000.0, 8050.0, 8400.0, 8100.0, 8500.0, 8200.0, 8600.0, 8650.0, *[8650.0] * 6]
    state, effects = run(engine.start(GOAL, 0.0), [at(v, 0.1 * i) for i, v in enumerate(values)])
    assert Cue.JUMPS in [e.cue for e in effects if isinstance(e, Cued)]
    assert engine.learned(state).scratchy


def test_a_window_narrower_than_the_noise_is_said():
    goal = Goal(0.0, -0.001, 0.001, "V", hold=1.0)
    values = [0.0, 0.0012, -0.0011, 0.0004, -0.0013, 0.0012, -0.0006, 0.0011, -0.0012, 0.0002] * 2
    _state, effects = run(engine.start(goal, 0.0), [at(v, 0.1 * i) for i, v in enumerate(values)])
    assert not accepted(effects)


def test_a_window_upside_down_is_refused():
    with pytest.raises(ValueError, match="Give low"):
        Goal(1.0, 2.0, 0.0, "V")


@pytest.mark.parametrize("value", [-math.inf, -1e9, 9000.0, 9400.0, 9550.0, 9e99, math.inf])
def test_the_bar_is_monotonic_and_never_leaves_its_frame(value):
    """Window edges at a third; what is far is drawn together."""
    place = engine.view(run(engine.start(GOAL, 0.0), [])[0], 0.0).edges
    assert place == pytest.approx((-1 / 3, 1 / 3))
    from benchrig.trim.shown import position

    assert -1.0 <= position(GOAL, value) <= 1.0
    assert position(GOAL, value) <= position(GOAL, value + 1.0) or math.isinf(value)


def test_step_does_not_change_the_state_it_was_given():
    before = engine.start(GOAL, 0.0)
    engine.step(before, at(9400.0, 0.0))
    assert before == engine.start(GOAL, 0.0)


def test_a_turn_that_shows_is_not_asked_for_any_more():
    """Who looks up again must not find the same words, and turn it again."""
    goal = replace(GOAL, counted=True)
    state, _ = run(engine.start(goal, 0.0), [at(8000.0, 0.0), at(8000.0, 0.2)])
    assert engine.view(state, 0.21).asked is not None
    state, _ = run(state, [at(8300.0, 1.0)])
    assert engine.view(state, 1.01).asked is None
    assert engine.view(state, 1.01).cue is Cue.WAIT


def test_a_turn_made_while_nothing_could_be_read_is_not_asked_for_again():
    """The pattern was busy: the reading stands elsewhere, and that was the turn; else it is asked for anew."""
    goal = replace(GOAL, counted=True)
    state, _ = run(engine.start(goal, 0.0), [at(8000.0, 0.0), at(8000.0, 0.2), at(None, 0.4, Flag.BUSY)])
    made, _ = run(state, [at(8300.0, 2.0)])
    assert engine.view(made, 2.01).asked is None
    made, _ = run(made, still(8300.0, 2.2, 4))
    assert made.asks == 2
    idle, _ = run(state, [at(8000.0, 2.0)])
    assert engine.view(idle, 2.01).asked is None
    idle, _ = run(idle, [at(8000.0, 2.2)])
    assert engine.view(idle, 2.21).asked is not None
    assert idle.asks == 1


def test_a_hand_that_turned_round_at_once_is_still_stopped_at_the_target():
    """Told the other way, it answers quickly, and reaches the window before the way would be judged again."""
    events = [at(8000.0, 0.0), at(7800.0, 0.35), at(7700.0, 0.5), at(8200.0, 0.6), at(8800.0, 0.7), at(9380.0, 0.8)]
    state, _ = run(engine.start(GOAL, 0.0), events)
    assert state.cue is Cue.STOP
