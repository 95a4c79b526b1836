"""Listening to the doubles of the demo bench: paces, gaps, catches, instruments that are out of use."""

import time
from contextlib import nullcontext
from itertools import pairwise
from types import SimpleNamespace

import pytest

from benchrig.bench import Station, load_bench
from benchrig.clock import RealClock, SimClock
from benchrig.commands.options import locate
from benchrig.commands.rehearse import Served, bench_at
from benchrig.errors import Refused
from benchrig.events import LinkDown, LinkUp
from benchrig.instruments import Function, load_stand_in
from benchrig.procedure.quantities import Limits, Measurement, MeterSource, ScopeSource
from benchrig.readings import Reading
from benchrig.session.bench_tools import BenchTools
from benchrig.session.soak_listener import ThreadedListener
from benchrig.session.tools import Caught, Dead, Taken
from benchrig.soak.task import Catch, SoakChannel
from benchrig.testing import SimBench

LIMITS = Limits("V", 11.4, 12.6, 11.4, 12.6)
METER = SoakChannel("+12 V", MeterSource("meter", Function.DC_VOLTAGE, "A1 TP1", expected=12.0), LIMITS, 0.5)
HANDHELD = SoakChannel("handheld", MeterSource("handheld", Function.DC_VOLTAGE, "A1 TP1"), LIMITS, 1.0)
DIPS = Catch("dips", ScopeSource("scope", 1, Measurement.MEAN, "A1 TP1", "x10", 20.0), 10.0, duration=0.2)


@pytest.fixture
def sim():
    with SimBench(seed=0) as bench:
        for jack in ("meter", "handheld", "scope.1"):
            bench.world.hands.probe(jack, "A1 TP1", "x10" if jack == "scope.1" else "")
        yield bench


def listen(bench, channels, catches=(), seconds=20.0, guard=None):
    """Everything heard in `seconds` of simulated time, the listener closed."""
    listener = BenchTools(bench.station).listen(channels, catches, guard)
    try:
        heard = []
        until = bench.clock.now() + seconds
        while bench.clock.now() < until:
            heard += listener.poll(min(until, bench.clock.now() + 1.0))
        return heard
    finally:
        listener.close()


def of(heard, name):
    return [it.reading for it in heard if isinstance(it, Taken) and it.channel == name]


def test_each_channel_keeps_its_own_pace(sim):
    """Two a second and one a second, in rising time, none handed out twice."""
    heard = listen(sim, [METER, HANDHELD])
    meter, handheld = of(heard, "+12 V"), of(heard, "handheld")
    assert 36 <= len(meter) <= 41
    assert 18 <= len(handheld) <= 21
    for row in (meter, handheld):
        times = [it.time for it in row]
        assert times == sorted(set(times))
        assert all(it.value == pytest.approx(12.0, abs=0.6) for it in row[1:])  # the first may still find its range


def test_an_armed_scope_catches_a_dip_between_readings_and_is_armed_again(sim):
    """Dips of 40 ms that no meter here is quick enough for; each record has the dip in it."""
    sim.clock.at(sim.clock.now() + 2.0, lambda: sim.world.hands.fault("intermittent fuse"))
    caught = [it for it in listen(sim, [METER], [DIPS], 200.0) if isinstance(it, Caught)]
    assert len(caught) >= 2
    for it in caught:
        assert it.name == "dips"
        assert it.wave.volts.min() < 10.0 < it.wave.volts.max()


def test_nothing_is_caught_on_a_quiet_rail(sim):
    """Normal sweep: no trigger, no record."""
    assert not [it for it in listen(sim, [METER], [DIPS], 60.0) if isinstance(it, Caught)]


def test_one_that_is_unplugged_is_lost_and_comes_back_while_the_other_goes_on(sim):
    """A minute without its cable."""
    cable = sim.world.double("meter")
    sim.clock.at(sim.clock.now() + 10.0, cable.unplug)
    sim.clock.at(sim.clock.now() + 70.0, cable.plug)
    heard = listen(sim, [METER, HANDHELD], seconds=150.0)
    assert [type(it) for it in heard if isinstance(it, LinkDown | LinkUp)] == [LinkDown, LinkUp]
    assert len(of(heard, "handheld")) > 140
    after = [it.time for it in of(heard, "+12 V")]
    gap = max(b - a for a, b in pairwise(after))
    assert 50.0 < gap < 110.0
    assert after[-1] > 145.0


def test_one_that_is_away_for_hours_is_not_given_up(sim):
    """Unlike in a step with a person waiting."""
    cable = sim.world.double("meter")
    sim.clock.at(sim.clock.now() + 10.0, cable.unplug)
    sim.clock.at(sim.clock.now() + 7200.0, cable.plug)
    heard = listen(sim, [METER], seconds=7300.0)
    assert [type(it) for it in heard if isinstance(it, LinkDown | LinkUp)] == [LinkDown, LinkUp]


def test_a_spoilt_answer_to_who_it_is_makes_it_no_other_unit(sim):
    """It comes back with its first answers garbled: asked again, it is the same meter."""
    cable = sim.world.double("meter")
    sim.clock.at(sim.clock.now() + 10.0, cable.unplug)
    sim.clock.at(sim.clock.now() + 20.0, lambda: (cable.plug(), cable.garble(2)))
    heard = listen(sim, [METER], seconds=60.0)
    assert [type(it) for it in heard if not isinstance(it, Taken)] == [LinkDown, LinkUp]
    assert of(heard, "+12 V")[-1].time > 50.0


def test_a_level_far_from_zero_is_caught_all_the_same(sim):
    """Farther than the scope can shift at a fine scale: a coarser one is taken, and it is armed."""
    catch = Catch("dips", ScopeSource("scope", 1, Measurement.MEAN, "A1 TP1", "x10", 0.5), 11.0, duration=0.2)
    sim.clock.at(sim.clock.now() + 2.0, lambda: sim.world.hands.fault("intermittent fuse"))
    heard = listen(sim, [], [catch], 60.0)
    assert not [it for it in heard if isinstance(it, LinkDown)]
    assert [it for it in heard if isinstance(it, Caught)]


def test_what_is_refused_again_and_again_is_told_as_out_of_use(sim):
    """A setting that the scope does not have is no lost link that might come back."""
    catch = Catch("dips", ScopeSource("scope", 1, Measurement.MEAN, "A1 TP1", "x10", 20.0), 10.0, duration=1e9)
    heard = listen(sim, [METER], [catch], 120.0)
    assert [it.instrument for it in heard if isinstance(it, Dead)] == ["scope"]
    assert len(of(heard, "+12 V")) > 200


def test_no_touch_without_the_guard(sim):
    """What the guard raises ends the listening, before another byte is sent."""
    allowed = True

    def guard():
        if not allowed:
            raise Refused("no acknowledgement")

    listener = BenchTools(sim.station).listen([METER], (), guard)
    listener.poll(sim.clock.now() + 2.0)
    allowed = False
    sent = sim.world.double("meter").heard
    with pytest.raises(Refused):
        listener.poll(sim.clock.now() + 2.0)
    assert sim.world.double("meter").heard == sent
    listener.close()


def test_real_threads_over_real_links_drop_nothing_and_stop():
    """Served doubles, two instruments, a slow fetcher: readings wait for it, in order."""
    clock = RealClock()
    with load_stand_in("launch")("skerry14", 0) as doubles:
        for jack in ("meter", "handheld"):
            doubles.hands.probe(jack, "A1 TP1", "")
        bench = bench_at(load_bench(locate("skerry14/bench")), doubles.addresses)
        station = Station(bench, clock, servers=Served(doubles))
        quick = SoakChannel("+12 V", METER.source, LIMITS, 0.1)
        listener = BenchTools(station).listen([quick, HANDHELD], ())
        try:
            heard = list(listener.poll(clock.now() + 3.0))
        finally:
            began = time.monotonic()
            listener.close()
            station.close()
        assert time.monotonic() - began < 5.0
    times = [it.time for it in of(heard, "+12 V")]
    assert len(times) >= 15
    assert times == sorted(times)
    assert of(heard, "handheld")


def test_a_simulated_clock_is_polled_in_the_callers_thread():
    """So that a test is the same each time."""
    with SimBench(seed=0) as bench:
        assert isinstance(bench.clock, SimClock)
        listener = BenchTools(bench.station).listen([METER], ())
        before = bench.clock.now()
        listener.poll(before + 5.0)
        assert bench.clock.now() == pytest.approx(before + 5.0, abs=1.0)
        listener.close()


def test_what_was_heard_before_a_refusal_is_handed_out_before_it():
    """A reading belongs into the record also when the next touch is forbidden; who asks again is refused again."""
    taken = Taken("rail", Reading(12.0, "V"))

    class Ear:
        attached = SimpleNamespace(name="meter", hold=nullcontext)
        due = 0.0
        events = iter((taken, taken))

        def step(self, deadline):
            it = next(self.events, None)
            if it is None:
                raise Refused("The acknowledgement is gone.")
            return it

    clock = RealClock()
    listener = ThreadedListener([Ear()], clock)
    for thread in listener._threads:
        thread.join(5.0)
    assert listener.poll(clock.now()) == [taken, taken]
    for _ in range(2):
        with pytest.raises(Refused):
            listener.poll(clock.now())
    listener.close()
