"""A whole soak on paper: phases, ends, power cycles, open findings, verdict."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.instruments import Function
from benchrig.procedure.quantities import Limits, MeterSource
from benchrig.soak.engine import Engine, Noticed, Over, Switch
from benchrig.soak.findings import Columns, Kind, Severity
from benchrig.soak.phases import TRANSITIONS, SoakMove, SoakPhase, moved
from benchrig.soak.task import PowerCycle, SoakChannel, SoakTask

LIMITS = Limits("V", 11.4, 12.6, 10.8, 13.2, 15.0)


def soak(**changed):
    channel = SoakChannel("+12 V", MeterSource("meter", Function.DC_VOLTAGE), LIMITS, drift=changed.pop("drift", None))
    return SoakTask(**{"duration": 3600.0, "channels": (channel,), "warm_up": 60.0, **changed})


def some(values, start):
    values = np.asarray(values, dtype=np.float64)
    return Columns(start + np.arange(values.size), values, np.zeros(values.size, np.uint32))


def overs(effects):
    return [it for it in effects if isinstance(it, Over)]


def test_every_phase_but_the_last_can_end_and_nothing_leaves_the_last():
    """The table itself."""
    for phase in SoakPhase:
        assert ((phase, SoakMove.ENDED) in TRANSITIONS) is (phase is not SoakPhase.OVER)
    assert all(before is not SoakPhase.OVER for before, _ in TRANSITIONS)
    with pytest.raises(RuntimeError, match="over"):
        moved(SoakPhase.OVER, SoakMove.WARM)


def test_it_warms_up_watches_and_ends_with_its_time():
    """A quiet unit passes."""
    engine = Engine(soak(), 100.0)
    assert engine.phase is SoakPhase.WARMING
    engine.take("+12 V", some([12.0] * 60, 100.0))
    engine.tick(160.0)
    assert engine.phase is SoakPhase.WATCHING
    for start in range(160, 3700, 50):
        engine.take("+12 V", some([12.0] * 50, float(start)))
        effects = engine.tick(start + 50.0)
    assert overs(effects) == [Over("its time is up", False)]
    assert engine.verdict() == "pass"
    assert engine.remaining(5000.0) == 0.0


def test_a_stop_ends_it_at_once_and_nothing_after_it_is_judged():
    """The ceiling, one reading."""
    engine = Engine(soak(), 0.0)
    effects = engine.take("+12 V", some([12.0, 16.0, 12.0], 0.0))
    assert [it.stopped for it in overs(effects)] == [True]
    assert engine.take("+12 V", some([99.0], 5.0)) == []
    assert engine.tick(6.0) == []
    assert engine.verdict() == "fail"


@pytest.mark.parametrize(("hazard", "stops"), [(None, True), ("b+", False)])
def test_without_a_declared_hazard_what_can_hurt_stops_the_soak(hazard, stops):
    """A rail nobody called dangerous rises above 60 V DC: nobody may find it so in the morning."""
    roomy = Limits("V", 11.4, 12.6, 10.8, 13.2, 400.0)
    rail = SoakChannel("+12 V", MeterSource("meter", Function.DC_VOLTAGE), roomy)
    engine = Engine(soak(channels=(rail,), hazard=hazard), 0.0)
    effects = engine.take("+12 V", some([12.0, 61.0, 12.0], 0.0))
    assert [it.stopped for it in overs(effects)] == [True] * stops


def test_a_warning_makes_the_pass_conditional_and_stays_open_until_it_ends():
    """Outside the window for a while."""
    engine = Engine(soak(warm_up=0.0), 0.0)
    engine.take("+12 V", some([11.0] * 5, 0.0))
    assert list(engine.open) == [("+12 V", Kind.OUTSIDE)]
    engine.take("+12 V", some([12.0] * 5, 10.0))
    assert not engine.open
    assert engine.verdict() == "conditional pass"


def test_a_channel_that_never_gave_anything_fails():
    """No reading is no proof."""
    engine = Engine(soak(), 0.0)
    engine.tick(3700.0)
    assert engine.verdict() == "fail"


def test_it_may_end_when_stable():
    """Every channel within its drift for its window, not before the warm-up is over."""
    engine = Engine(soak(until_stable=True, drift=1e-3, duration=1e6), 0.0)
    rng = np.random.default_rng(1)
    start = 0.0
    while not engine.over and start < 20_000.0:
        engine.take("+12 V", some(12.0 + 1e-4 * rng.standard_normal(60), start))
        start += 60.0
        engine.tick(start)
    assert engine.why == "every channel is stable"
    assert 1700.0 < start < 2100.0


def test_the_power_is_cycled_by_the_clock():
    """On for 600 s, off for 60, and nothing is judged while it is off."""
    engine = Engine(soak(cycle=PowerCycle(600.0, 60.0), duration=1e5), 0.0)
    assert Switch(False) not in engine.tick(599.0)
    assert engine.tick(600.0) == [Switch(False)]
    engine.switched(False, 601.0)
    assert engine.take("+12 V", some([0.0] * 50, 602.0)) == []
    assert engine.tick(660.0) == []
    assert engine.tick(661.0) == [Switch(True)]
    engine.switched(True, 662.0)
    assert engine.phase is SoakPhase.WARMING
    assert engine.cycles == 1
    assert Switch(False) not in engine.tick(1261.0)
    assert Switch(False) in engine.tick(1262.0)


def test_one_reading_outside_what_is_acceptable_is_no_pass():
    """It moves no level and stops nothing, and still the unit did that."""
    engine = Engine(soak(warm_up=0.0), 0.0)
    engine.take("+12 V", some([12.0] * 20 + [5.0] + [12.0] * 20, 0.0))
    assert not engine.over
    assert engine.verdict() == "fail"


def test_what_the_scope_caught_is_a_warning_with_its_record_in_words():
    """Unless the power is off on purpose."""
    engine = Engine(soak(cycle=PowerCycle(600.0, 60.0)), 0.0)
    (effect,) = engine.caught("dips", 5.0, 0.1, 5.0, "V")
    assert isinstance(effect, Noticed)
    assert (effect.finding.kind, effect.finding.severity) == (Kind.CAUGHT, Severity.WARNING)
    engine.switched(False, 600.0)
    assert engine.caught("dips", 601.0, 0.0, 5.0, "V") == []
    assert engine.verdict() == "fail"


EVENTS = st.lists(
    st.one_of(
        st.tuples(st.just("take"), st.lists(st.sampled_from([12.0, 11.0, 10.0, 0.0, 16.0, float("nan")]), max_size=6)),
        st.tuples(st.just("tick"), st.floats(0.0, 400.0)),
        st.tuples(st.just("caught"), st.just(0.0)),
    ),
    max_size=60,
)


@settings(deadline=None)
@given(EVENTS, st.booleans())
def test_whatever_comes_it_ends_at_most_once_and_switches_only_in_turn(events, cycled):
    """Any order of readings, times and catches; a `Switch` is answered as the shell answers it."""
    engine = Engine(soak(cycle=PowerCycle(300.0, 30.0) if cycled else None), 0.0)
    now, ends, on = 0.0, 0, True
    for kind, what in events:
        if kind == "take":
            effects = engine.take("+12 V", some(what, now)) if what else []
            now += len(what)
        elif kind == "tick":
            now += what
            effects = engine.tick(now)
        else:
            effects = engine.caught("dips", now, 0.0, 5.0, "V")
        ends += len(overs(effects))
        for effect in effects:
            if isinstance(effect, Switch):
                assert effect.on is not on
                on = effect.on
                engine.switched(on, now)
    assert ends <= 1
    assert engine.over is (ends == 1)
    if engine.stopped:
        assert engine.verdict() == "fail"
