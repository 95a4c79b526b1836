"""A sweep asks for turning, learns the pace, and names only what no hand does; nothing is said of what was not seen."""

import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.readings import Flag, Reading
from benchrig.trim import wiper_sweep
from benchrig.trim.faults import against
from benchrig.trim.types import CeilingPassed, Cue, LinkDown, LinkUp, Measured, Restart, Tick
from benchrig.trim.wiper_sweep import Sweep, Swept, Wiper

SWEEP = Sweep("V", 1.0, settle=0.1, ceiling=20.0)
TURNS = {Cue.SLOW_UP: 1.0, Cue.SLOW_DOWN: -1.0}


def swept(dirt=0.0, pace=0.4, noise=0.005, wrong=0, sweep=SWEEP, seed=1, spoilt=None):
    """A hand that follows the cue 0.3 s late at `pace` (V/s), 5 readings a second; (effects, most it went away)."""
    rng = random.Random(seed)
    state, value, done, late, farthest = wiper_sweep.start(sweep, 0.0), 10.0, [], [Cue.WAIT] * 15, 0.0
    way = -1.0 if wrong else 1.0
    for tick in range(1, 8000):
        now = tick * 0.02
        cue = late.pop(0)
        late.append(wiper_sweep.view(state, now).cue)
        moving = TURNS.get(cue, 0.0)
        value += way * moving * pace * 0.02
        farthest = max(farthest, abs(value - 10.0))
        if wiper_sweep.view(state, now).hint == wiper_sweep.WRONG:
            way = 1.0
        if tick % 10 == 0:
            skip = rng.gauss(0.0, dirt) if moving and dirt and rng.random() < 0.3 else 0.0
            reading = Reading(value + rng.gauss(0.0, noise) + skip, "V", now, resolution=1e-3, aperture=0.1)
            if spoilt is not None:
                reading = spoilt(reading, tick)
            state, effects = wiper_sweep.step(state, Measured(reading, now))
            done += effects
            if any(isinstance(it, Swept) for it in effects):
                break
    return done, farthest


def verdict(done):
    return [it.wiper for it in done if isinstance(it, Swept)]


def test_a_clean_wiper_is_called_clean_after_turning_both_ways():
    """Both cues came, and the hand was not led far beyond the reach."""
    done, farthest = swept()
    assert verdict(done) == [Wiper.CLEAN]
    assert {getattr(it, "cue", None) for it in done} >= {Cue.SLOW_UP, Cue.SLOW_DOWN, Cue.STOP, Cue.ACCEPTED}
    assert 0.8 < farthest < 1.6


def test_a_jumping_wiper_is_named_and_the_turning_ends():
    """Contact lost in a third of the readings."""
    done, _ = swept(dirt=1.0)
    assert verdict(done) == [Wiper.SCRATCHY]
    assert done[-1].cue is Cue.JUMPS


def test_a_hand_that_begins_the_wrong_way_is_told_so_and_is_no_fault():
    """The reading falls where it should rise; from the hint on it is turned rightly."""
    done, _ = swept(wrong=1)
    assert verdict(done) == [Wiper.CLEAN]


def test_a_hand_too_fast_for_the_meter_is_told_to_go_slower():
    """From side to side in fewer readings than show a wiper."""
    state = replace(wiper_sweep.start(SWEEP, 0.0), pace=2.0, interval=0.2)
    assert wiper_sweep.view(state, 0.0).hint == wiper_sweep.SLOWER
    assert wiper_sweep.view(replace(state, pace=0.2), 0.0).hint == ""


def test_where_nothing_moves_nothing_is_said_of_the_wiper():
    """The wrong trimmer, a cut lead, or hands that were away: nobody can tell, so no cue claims it."""
    done, _ = swept(pace=0.0)
    assert verdict(done) == [Wiper.UNKNOWN]
    assert done[-1].cue is Cue.WAIT


def test_readings_that_may_not_count_prove_nothing():
    """Held ones only: after two minutes the sweep gives up, and never says clean."""
    done, _ = swept(spoilt=lambda reading, tick: replace(reading, flags=Flag.HOLD))
    assert verdict(done) == [Wiper.UNKNOWN]


def test_above_the_ceiling_it_ends_at_once():
    """A number above it, or an overload."""
    for reading in (Reading(21.0, "V", 1.0), Reading(None, "V", 1.0, flags=Flag.OVERLOAD)):
        state, effects = wiper_sweep.step(wiper_sweep.start(SWEEP, 0.0), Measured(reading, 1.0))
        assert isinstance(effects[0], CeilingPassed)
        assert wiper_sweep.step(state, Measured(Reading(1.0, "V", 2.0), 2.0)) == (replace(state, now=2.0), ())


def test_a_lost_link_begins_the_stroke_again_and_keeps_what_was_seen():
    """Hands off, look, and on around the old setting."""
    state = replace(
        wiper_sweep.start(SWEEP, 0.0),
        phase=wiper_sweep.SweepPhase.STROKE,
        middle=10.0,
        free=7,
        swings=1,
        readings=9,
        strokes=2,
    )
    state, _ = wiper_sweep.step(state, LinkDown(1.0))
    assert wiper_sweep.view(state, 1.0).cue is Cue.LOST
    state, _ = wiper_sweep.step(state, LinkUp(2.0))
    assert (state.phase, state.swings, state.readings, state.middle) == (wiper_sweep.SweepPhase.LOOK, 1, 9, 10.0)


def test_a_gated_value_is_swept_in_its_quiet_phases():
    """Two seconds in four the reading does not count: strokes are broken off and told again."""
    done, _ = swept(spoilt=lambda reading, tick: replace(reading, flags=Flag.BUSY) if tick // 100 % 2 else reading)
    assert verdict(done) == [Wiper.CLEAN]


@pytest.mark.parametrize(
    ("values", "way", "found"),
    [([0.0, 1.0, 2.0], 1.0, 0), ([0.0, -1.0, 2.0], 1.0, 0), ([0.0, 2.0, 1.0, 3.0], 1.0, 1), ([3.0, 1.0, 2.0], -1.0, 1)],
)
def test_only_swings_against_the_turning_count(values, way, found):
    """Worked by hand, least swing 0.9; the first may be the turn before."""
    assert against(values, way, 0.9) == found


events = st.one_of(
    st.builds(Tick, st.floats(0.0, 200.0)),
    st.builds(LinkDown, st.floats(0.0, 200.0)),
    st.builds(LinkUp, st.floats(0.0, 200.0)),
    st.builds(Restart, st.floats(0.0, 200.0)),
    st.builds(
        lambda value, when, flags, late: Measured(Reading(value, "V", when, flags=flags, aperture=0.1), when + late),
        st.none() | st.floats(-19.0, 19.0),
        st.floats(0.0, 200.0),
        st.sampled_from([Flag.HOLD, Flag.STALE, Flag.BUSY, Flag.CLIPPED, Flag.INVALID]),
        st.floats(0.0, 2.0),
    ),
)


@settings(max_examples=200)
@given(st.lists(events, max_size=60))
def test_no_row_of_events_without_a_good_reading_gives_a_verdict_on_the_wiper(row):
    """Stale, held, gated-out, clipped: whatever the order, neither clean nor scratchy."""
    state = wiper_sweep.start(SWEEP, 0.0)
    for event in row:
        state, effects = wiper_sweep.step(state, event)
        assert not {it.wiper for it in effects if isinstance(it, Swept)} & {Wiper.CLEAN, Wiper.SCRATCHY}
