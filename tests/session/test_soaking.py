"""A soak on the demo bench, in process and on its simulated clock: faults, gaps, alarms, hold point, power."""

import dataclasses
import itertools
from datetime import timedelta

import pytest

from benchrig.alarms import Alarms
from benchrig.clock import SimClock
from benchrig.commands.options import locate
from benchrig.procedure import load_procedure
from benchrig.records import History, SqliteStore
from benchrig.session import AbsentOperator, run
from benchrig.session.bench_tools import BenchTools
from benchrig.session.operators import Command
from benchrig.steps.soak import Cycle
from benchrig.testing import SimBench

SOAK = load_procedure(locate("skerry14/soak"))


def procedure(seconds=360.0, *, hazard=True, catches=True, **changed):
    """The shipped soak, shorter; without its hazard only the harmless rail is watched."""
    leads, soak = SOAK.steps
    made = soak.model_copy(update={"lasts": seconds, "warm_up": 120.0, **changed})
    if not catches:
        made = made.model_copy(update={"catches": []})
    if not hazard:
        made = made.model_copy(update={"hazard": None, "channels": made.channels[1:]})
    return dataclasses.replace(SOAK, steps=(leads, made))


class Watched:
    """The bench's operator with all notices kept, and commands at given moments."""

    def __init__(self, operator, clock, commands=()):
        self._operator, self._clock, self._commands = operator, clock, list(commands)
        self.notices = []
        for name in ("name", "attended", "acts_for_person"):
            setattr(self, name, getattr(operator, name))

    def __getattr__(self, name):
        return getattr(self._operator, name)

    def notify(self, notice):
        self.notices.append(notice)
        self._operator.notify(notice)

    def commands(self):
        due = [it for it in self._commands if it[0] <= self._clock.now()]
        self._commands = [it for it in self._commands if it not in due]
        return [Command(verb) for _, verb in due]

    def of(self, kind):
        return [it for it in self.notices if it.kind == kind]


def soak(bench, work, *, commands=(), alarms=True, store=None):
    """(outcome, watched operator, alarms) of a job."""
    watched = Watched(bench.operator, bench.clock, commands)
    bell = Alarms([], bench.clock, watched.notify, unit_serial="SK14-0231") if alarms else None
    store = store or SqliteStore(bench.record)
    try:
        outcome = run(work, BenchTools(bench.station), watched, store, bench.clock, serial="SK14-0231", alarms=bell)
    finally:
        store.close()
    return outcome, watched, bell


def findings(bench):
    with bench.history() as history:
        return [it["facts"] for it in history.events(1) if it["kind"] == "finding"]


@pytest.fixture
def bench():
    with SimBench(seed=0, tired=False) as bench:
        yield bench


def test_a_unit_that_is_right_passes_and_everything_is_in_the_record(bench):
    """EHT behind its hold point, a rail, an armed scope; what was shown is kept."""
    outcome, watched, bell = soak(bench, procedure())
    assert outcome.exit_code == 0, outcome.words
    assert outcome.results["burn-in"].verdict == "pass"
    assert not watched.of("alarm raised")
    assert not bell.open
    with bench.history() as history:
        (step,) = [it for it in history.steps(1) if it.step == "burn-in"]
        counts = {it.name: len(history.readings(it)) for it in history.channels(step.row)}
        sums = step.result.details["channels"]
    assert counts["EHT"] >= 340
    assert sums["EHT"]["usable"] >= 340
    assert 9000.0 < sums["EHT"]["mean"] < 9700.0
    shown = watched.of("soak")
    assert shown[0].state == "warming up"
    assert shown[-1].state in ("watching", "over")
    assert {it.name for it in shown[-1].channels} == {"EHT", "+12 V"}


def test_the_hold_point_is_asked_once_and_lasts_as_long_as_the_soak(bench):
    """Longer than the 15 minutes of a step with hands."""
    outcome, watched, _ = soak(bench, procedure(1200.0, catches=False))
    assert outcome.exit_code == 0
    works = [it for it in watched.of("hold point answered") if "is live at" in it.typed]
    assert len(works) == 1


def test_without_an_acknowledgement_not_one_byte_is_sent(bench):
    """Nobody there: the meter and the scope hear nothing at all."""
    before = {name: bench.world.double(name).heard for name in ("meter", "scope", "handheld")}
    store = SqliteStore(bench.record)
    quick = dataclasses.replace(procedure(), steps=(procedure().steps[1].model_copy(update={"needs": []}),))
    outcome = run(quick, BenchTools(bench.station), AbsentOperator(), store, bench.clock, serial="SK14-0231")
    store.close()
    assert outcome.exit_code == 5
    assert {name: bench.world.double(name).heard for name in before} == before


def test_dips_are_found_alarmed_and_hinted_at(bench):
    """The fuse lets go for moments: meters see some, the scope all, and the hint names the fuse."""
    bench.clock.at(160.0, lambda: bench.world.hands.fault("intermittent fuse"))
    outcome, watched, _ = soak(bench, procedure(600.0, hazard=False))
    result = outcome.results["burn-in"]
    assert result.verdict == "fail"
    assert "fuse or its holder" in result.words
    kinds = {it["kind"] for it in findings(bench)}
    assert {"dip", "caught by the scope"} <= kinds
    assert any("caught by the scope" in it.key for it in watched.of("alarm raised"))
    with bench.history() as history:
        (step,) = [it for it in history.steps(1) if it.step == "burn-in"]
        waves = [wave for name, wave in history.waveforms(step.row) if name == "+5 V dips"]
    assert waves
    assert all(wave.volts.min() < 4.5 < wave.volts.max() for wave in waves)


def test_a_runaway_switches_the_unit_off_and_sees_it_off(bench):
    """EHT climbs above its ceiling: the supply goes off, its terminals show it, somebody is called."""
    bench.clock.at(160.0, lambda: bench.world.hands.fault("runaway EHT"))
    outcome, watched, bell = soak(bench, procedure(7200.0, catches=False))
    result = outcome.results["burn-in"]
    assert outcome.exit_code == 1
    assert result.verdict == "fail"
    assert "Supply switched off" in result.words
    assert bench.clock.now() < 7000.0
    assert bench.truth("powered") == 0.0
    assert [it.severity for it in watched.of("alarm raised") if it.channel == "EHT"][-1] == "stop"
    assert any(it.alarm.severity == "stop" for it in bell.open)


class Deaf:
    """A supply that answers and does not switch."""

    def __init__(self, supply):
        self._supply = supply

    def set_output(self, on, channel=1):
        pass

    def __getattr__(self, name):
        return getattr(self._supply, name)


def test_a_unit_that_is_not_seen_off_is_louder(bench, monkeypatch):
    """The supply does not obey: told as such, as loudly as it goes."""
    found = BenchTools.supply.fget
    monkeypatch.setattr(BenchTools, "supply", property(lambda self: Deaf(found(self))))
    bench.clock.at(160.0, lambda: bench.world.hands.fault("dead +12 V"))
    outcome, watched, _ = soak(bench, procedure(3600.0, hazard=False))
    assert outcome.results["burn-in"].verdict == "fail"
    loud = [it for it in watched.of("alarm raised") if it.loud]
    assert loud
    assert "Take it for live" in loud[0].title


def test_an_instrument_that_goes_and_comes_stops_nothing(bench):
    """Its gap is in the record; beyond its allowance somebody is called, and told when it is back."""
    cable = bench.world.double("handheld")
    bench.clock.at(160.0, cable.unplug)
    bench.clock.at(260.0, cable.plug)
    outcome, watched, _ = soak(bench, procedure())
    assert outcome.exit_code == 0
    with bench.history() as history:
        (gap,) = history.gaps(1)
    assert 90.0 < (gap["closed_us"] - gap["opened_us"]) / 1e6 < 140.0
    kinds = [it["kind"] for it in findings(bench) if it["channel"] == "+12 V"]
    assert "absent" in kinds
    assert "there again" in kinds
    assert [it.title for it in watched.of("alarm cleared")] == ["+12 V absent"]
    states = {it.state for moved in watched.of("soak") for it in moved.channels if it.name == "+12 V"}
    assert {"in", "absent"} <= states


def test_another_unit_in_its_place_is_out_of_use_and_the_others_go_on(bench):
    """The address answers as somebody else after a loss."""
    cable = bench.world.double("scope")
    other = cable.double.identity.replace("SIMULATED", "ANOTHER")
    bench.clock.at(160.0, lambda: (cable.unplug(), cable.impostor(other)))
    bench.clock.at(170.0, cable.plug)
    outcome, watched, _ = soak(bench, procedure())
    assert outcome.exit_code == 0
    assert any("out of use" in it.title for it in watched.of("alarm raised"))
    with bench.history() as history:
        assert any("IDN?" in it["dialogue"] for it in history.traffic(1))


def test_the_power_is_cycled_through_the_supply(bench):
    """Off and on again, seen at its terminals, nothing judged meanwhile."""
    outcome, _, _ = soak(bench, procedure(800.0, hazard=False, catches=False, cycle=Cycle(on="250 s", off="60 s")))
    result = outcome.results["burn-in"]
    assert result.verdict == "pass", result.words
    assert result.details["cycles"] == 2
    with bench.history() as history:
        said = [it["facts"]["words"] for it in history.events(1) if it["kind"] == "said"]
    assert sum("switched off" in it for it in said) >= 2
    assert sum("switched on" in it for it in said) >= 2


def test_stopping_keeps_what_was_seen(bench):
    """The operator ends it; the sums so far are in the record."""
    outcome, _, _ = soak(bench, procedure(), commands=[(200.0, "stop")])
    assert outcome.exit_code == 3
    with bench.history() as history:
        (so_far,) = [it["facts"] for it in history.events(1) if it["kind"] == "soak so far"]
    assert so_far["channels"]["+12 V"]["readings"] > 150


def test_taking_note_ends_the_repeats(bench):
    """An open alarm is told again and again, until the key."""
    bench.clock.at(160.0, bench.world.double("handheld").unplug)
    _, watched, bell = soak(bench, procedure(1600.0, hazard=False, catches=False), commands=[(1400.0, "acknowledge")])
    told = [it for it in watched.of("alarm raised") if it.key == "+12 V absent"]
    assert len(told) >= 4
    assert {it.by for it in watched.of("alarm acknowledged")} == {watched.name}
    assert all(it.acknowledged for it in bell.open)


class Jumping(SimClock):
    """A clock whose wall time was set in the middle."""

    jump = timedelta(0)

    def stamp(self):
        return super().stamp() + self.jump


def test_a_wall_clock_that_is_set_is_noted_and_harms_nothing(bench, monkeypatch):
    """An hour back, as in autumn: no gap, no end, a line in the record."""
    clock = bench.clock
    monkeypatch.setattr(type(clock), "jump", timedelta(0), raising=False)
    stamp = type(clock).stamp
    monkeypatch.setattr(type(clock), "stamp", lambda self: stamp(self) + self.jump)
    clock.at(160.0, lambda: setattr(clock, "jump", timedelta(hours=-1)))
    outcome, watched, _ = soak(bench, procedure(hazard=False, catches=False))
    assert outcome.exit_code == 0
    assert sum("wall clock moved -3600.0 s" in it.words for it in watched.of("said")) == 1
    with bench.history() as history:
        (noted,) = [it["facts"] for it in history.events(1) if it["kind"] == "clock"]
        (step,) = [it for it in history.steps(1) if it.step == "burn-in"]
        times = [it.time for it in history.readings(history.channels(step.row)[0])]
    assert noted["moved"] == pytest.approx(-3600.0, abs=1.0)
    assert times == sorted(times)


def test_a_hazardous_soak_ends_when_the_clock_jumps(bench, monkeypatch):
    """A machine that slept may have missed anything: the acknowledgement is gone, the unit made safe."""
    clock = bench.clock
    monkeypatch.setattr(type(clock), "jump", timedelta(0), raising=False)
    stamp = type(clock).stamp
    monkeypatch.setattr(type(clock), "stamp", lambda self: stamp(self) + self.jump)
    clock.at(160.0, lambda: setattr(clock, "jump", timedelta(hours=1)))
    outcome, _, _ = soak(bench, procedure(catches=False))
    assert outcome.results["burn-in"].verdict == "fail"
    assert "clock" in outcome.results["burn-in"].words


def test_a_full_disk_loses_nothing_that_there_was_room_for_in_memory(bench):
    """The record cannot be written for some minutes; the soak goes on and everything is there afterwards."""
    store = SqliteStore(bench.record)
    pages = store._db.execute("PRAGMA page_count").fetchone()[0]
    bench.clock.at(160.0, lambda: store._db.execute(f"PRAGMA max_page_count={pages + 1}"))
    bench.clock.at(260.0, lambda: store._db.execute("PRAGMA max_page_count=1073741823"))
    outcome, watched, _ = soak(bench, procedure(hazard=False, catches=False), store=store)
    assert outcome.exit_code == 0
    assert any("cannot be written" in it.words for it in watched.of("said"))
    assert any("written again" in it.words for it in watched.of("said"))
    with History(bench.record) as history:
        (step,) = [it for it in history.steps(1) if it.step == "burn-in"]
        times = [it.time for it in history.readings(history.channels(step.row)[0])]
    assert max(b - a for a, b in itertools.pairwise(times)) < 3.0
