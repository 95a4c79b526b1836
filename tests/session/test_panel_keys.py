"""A key pressed at an instrument's panel while its readings count: never a verdict, never a point seen off.

What a NULL does to a reading: the user's guides of the meters (the offset is subtracted from every reading after it).
"""

from __future__ import annotations

import os
import random

import pytest
from benchrig.sim_instruments.meter_scpi import BenchMeter
from guarded import Bench

from benchrig.clock import SimClock
from benchrig.confirmed import Confirmed
from benchrig.errors import InstrumentError, LinkError
from benchrig.instruments import Function, load_driver
from benchrig.links.inprocess import InProcessLink
from benchrig.readings import Flag, Reading
from benchrig.testing import SimBench

TIMES = 200 if os.environ.get("BENCHRIG_HEAVY") else 20
KEYS = (
    b"CALC:FUNC NULL;STAT ON\n",
    b"CALC:FUNC DB;STAT ON\n",
    b"CALC:FUNC AVER;STAT ON\n",
    b"VOLT:DC:RANG 1000\n",
    b"VOLT:DC:RANG 0.1\n",
    b"FUNC 'RES'\n",
    b"FUNC 'VOLT:AC'\n",
)
RAIL = """
[procedure]
id = "rail"
title = "Rail"
unit = "Skerry 14"

[[step]]
id = "rail"
kind = "measure"
title = "+12 V rail"
instruction = "Bench meter on A1 TP1."
instrument = "meter"
function = "dc voltage"
point = "A1 TP1"
window = ["11.4 V", "12.6 V"]
readings = 8
conditions = ["powered"]
"""


def low(value: float = 1.0, flags: Flag = Flag.NONE, since: float | None = None, time: float = 0.0) -> Reading:
    return Reading(value, "V", time, flags, clean_since=since)


@pytest.fixture
def bench(tmp_path):
    return lambda *script, **more: Bench(tmp_path, script or (1.0,), **more)


def test_provisional_readings_are_held_until_a_clean_look() -> None:
    """In order, without the flag, and only those taken since the looks were clean."""
    held = Confirmed()
    assert held.add(low(1.0, Flag.PROVISIONAL, time=1.0)) == []
    assert held.add(low(2.0, Flag.PROVISIONAL, time=2.0)) == []
    assert held.waiting
    counted = held.add(low(3.0, since=1.5, time=3.0))
    assert [reading.value for reading in counted] == [2.0, 3.0]
    assert not any(reading.flags for reading in counted)
    assert held.dropped == 1


def test_a_look_that_found_something_drops_what_was_held() -> None:
    """The readings between cannot be told from those before the key."""
    held = Confirmed()
    held.add(low(1.0, Flag.PROVISIONAL, time=1.0))
    counted = held.add(low(1.0, Flag.RELATIVE, time=2.0))
    assert [reading.usable for reading in counted] == [False]
    assert held.add(low(5.0, since=2.5, time=3.0))[-1].value == 5.0
    assert held.dropped == 2


def test_instruments_that_say_it_all_in_each_reading_hold_nothing_back() -> None:
    """A frame with its marks is its own look."""
    held = Confirmed()
    assert [reading.value for reading in held.add(low(4.0))] == [4.0]


def test_low_readings_that_are_only_provisional_prove_nothing(bench) -> None:
    """With NULL pressed 9.4 kV read nothing; until the panel was looked at that is all there is."""
    on = bench(low(flags=Flag.PROVISIONAL))
    on.left()
    assert on.secure() is False
    assert on.said()[-1][1].startswith("TP40 WAS NOT SEEN SAFE")


def test_a_null_found_behind_low_readings_takes_them_all(bench) -> None:
    """Ten low readings, then the look finds NULL, for as long as the check lasts: not seen off, and it is said why."""
    on = bench(*[low(flags=Flag.PROVISIONAL)] * 10, low(flags=Flag.RELATIVE))
    on.left()
    assert on.secure() is False
    assert any("relative" in words for _, words in on.said())


def test_an_unusable_reading_ends_the_row(bench) -> None:
    """Held display between low readings: what stood before it does not count towards what stands after it."""
    on = bench(1.0, 1.0, low(flags=Flag.HOLD), low(flags=Flag.HOLD), 1.0)
    on.left()
    began = on.clock.now()
    assert on.secure()
    without = bench(1.0)
    without.left()
    start = without.clock.now()
    assert without.secure()
    assert on.clock.now() - began >= (without.clock.now() - start) + 4 * 0.5


def test_a_high_reading_counts_though_it_is_provisional(bench) -> None:
    """Danger needs no second look."""
    on = bench(low(9400.0, Flag.PROVISIONAL), low(since=0.0))
    on.left()
    assert on.secure()
    assert ("probe still on") in on.asked()


def test_a_fall_that_is_too_fast_is_asked_about(bench) -> None:
    """From kilovolts to nothing: the stick, or a lead that came off. Who is not sure has no safe point."""
    on = bench(9400.0, 1.0, never={"probe still on"})
    on.left()
    assert on.secure() is False
    assert on.said()[-1][1].startswith("TP40 WAS NOT SEEN SAFE")


def test_a_point_that_was_never_high_is_not_asked_about(bench) -> None:
    """There was no fall to explain."""
    on = bench(1.0)
    on.left()
    on.asked()
    assert on.secure()
    assert "probe still on" not in on.asked()


@pytest.mark.parametrize("seed", range(TIMES))
def test_no_reading_that_a_key_touched_comes_to_count(seed: int) -> None:
    """The driver on its double: a key at a random moment; all that counts is the plain value."""
    rng = random.Random(seed)
    clock = SimClock(100.0)
    with SimBench(seed=0) as source:
        node = source.world.node("A1 TP1")
        meter = BenchMeter(source.clock, {1: node})
        clock = source.clock
        driver = load_driver("meter-scpi")(InProcessLink("sim://meter", clock, meter), clock, {})
        driver.select(Function.DC_VOLTAGE, expected=12.0, power_line_cycles=rng.choice([0.02, 1.0, 10.0]))
        end, pressed = clock.now() + 6.0, clock.now() + rng.uniform(0.0, 4.0)
        clock.at(pressed, lambda: meter.receive(rng.choice(KEYS)))
        held, counted = Confirmed(), []
        while clock.now() < end:
            try:
                counted += held.add(driver.read(clock.now() + 5.0))
            except (InstrumentError, LinkError):
                held.forget()
                break  # it has said that it was moved, and has to be set up anew
        good = [reading for reading in counted if reading.usable]
        assert all(abs(reading.value - 12.0) < 0.5 for reading in good)
        assert all(reading.time <= pressed + 0.5 for reading in good)


@pytest.mark.parametrize("seed", range(TIMES))
def test_no_verdict_rests_on_a_reading_that_a_key_touched(seed: int, tmp_path) -> None:
    """A whole step on the simulated bench: it ends with the plain value, or without one."""
    rng = random.Random(seed)
    file = tmp_path / "rail.toml"
    file.write_text(RAIL)
    with SimBench(seed=0) as bench:
        meter = bench.world.double("meter").double
        key = rng.choice(KEYS)
        bench.clock.at(bench.clock.now() + rng.uniform(0.0, 12.0), lambda: meter.receive(key))
        outcome = bench.run(file, serial="")
        result = outcome.results.get("rail")
        if result is not None and result.value is not None:
            assert result.value == pytest.approx(bench.truth("A1 TP1"), abs=0.02)
