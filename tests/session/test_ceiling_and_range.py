"""A ceiling trips on a true overload at once or one reading later, and not on one that belongs to a change of range."""

import pytest

from benchrig.bench.model import InstrumentSpec
from benchrig.clock import SimClock
from benchrig.instruments import Function
from benchrig.procedure.quantities import Limits, MeterSource
from benchrig.readings import Flag, Reading
from benchrig.session.meter_reader import EXCUSED, MeterReader
from benchrig.testing import SimBench

FIXED, AUTO = Flag.DC, Flag.DC | Flag.AUTORANGE


class Meter:
    """Shows what it is given, five times a second."""

    def __init__(self, clock, flags, *shown):
        self.clock, self.flags, self.shown, self.ranges = clock, flags, list(shown), []

    def select(self, function, *, expected=None):
        self.ranges.append(expected)

    def read(self, deadline):
        self.clock.sleep_until(self.clock.now() + 0.2)
        value = self.shown.pop(0)
        flags = self.flags | (Flag.OVERLOAD if value is None else Flag.NONE)
        return Reading(value, "V", self.clock.now(), flags)


def reader(clock, *, expected=None, ceiling=10.0):
    limits = Limits("V", 4.0, 6.0, 3.0, 7.0, ceiling)
    source = MeterSource("meter", Function.DC_VOLTAGE, "TP1", None, expected)
    return MeterReader(source, limits, InstrumentSpec("meter", "-", "-"), None, clock)


def flags_of(flags, *shown):
    """Whether each reading says overload, after a fresh choice of range."""
    clock = SimClock()
    meter, read = Meter(clock, flags, *shown), reader(clock)
    read.set_up(meter)
    found = [read(meter, 1e9) for _ in shown]
    assert all(r.usable == (value is not None) for r, value in zip(found, shown, strict=True))
    assert all(r.value is None for r, value in zip(found, shown, strict=True) if value is None)
    return [bool(r.flags & Flag.OVERLOAD) for r in found]


@pytest.mark.parametrize(
    ("flags", "shown", "overload"),
    [
        (FIXED, [None, 5.0], [False, False]),  # of the range before
        (FIXED, [None, None], [False, True]),  # a true one, one reading later
        (FIXED, [5.0, None], [False, True]),  # a true one on a range that holds the ceiling: at once
        (AUTO, [5.0, None, 5.2], [False, False, False]),  # a hop
        (AUTO, [5.0, None, None], [False, False, True]),  # a true one, one reading later
        (AUTO, [5.0, None, 5.0, None], [False, False, False, True]),  # comes and goes: excused once
    ],
)
def test_only_one_overload_may_belong_to_the_range(flags, shown, overload):
    assert flags_of(flags, *shown) == overload


def test_after_ten_good_seconds_another_hop_is_excused():
    clock = SimClock()
    good = int(EXCUSED / 0.2) + 1
    meter, read = Meter(clock, AUTO, None, *[5.0] * good, None), reader(clock)
    read.set_up(meter)
    assert not any(read(meter, 1e9).flags & Flag.OVERLOAD for _ in range(good + 2))


def test_after_a_gap_the_range_was_chosen_again():
    """A reopened meter sets up again, and its first overload may be of the range before."""
    clock = SimClock()
    meter, read = Meter(clock, FIXED, 5.0, None, None), reader(clock)
    read.set_up(meter)
    read(meter, 1e9)
    clock.sleep_until(clock.now() + 30.0)
    assert not read(meter, 1e9).flags & Flag.OVERLOAD
    assert read(meter, 1e9).flags & Flag.OVERLOAD


@pytest.mark.parametrize(("expected", "ceiling", "asked"), [(9.0, 10.0, 10.0), (None, 10.0, 10.0), (9.0, None, 9.0)])
def test_the_range_holds_the_ceiling(expected, ceiling, asked):
    """So that beyond the range is beyond the ceiling."""
    meter = Meter(SimClock(), FIXED)
    reader(meter.clock, expected=expected, ceiling=ceiling).set_up(meter)
    assert meter.ranges == [asked]


def test_without_a_ceiling_or_a_size_the_meter_chooses():
    meter = Meter(SimClock(), FIXED)
    reader(meter.clock, ceiling=None).set_up(meter)
    assert meter.ranges == [None]


RUNAWAY = """
[procedure]
id = "rail"
title = "Rail"
unit = "Skerry 14"
[[step]]
id = "rail"
kind = "measure"
title = "+12 V rail"
instrument = "meter"
function = "dc voltage"
point = "A1 TP1"
window = ["{low} V", "{high} V"]
ceiling = "{ceiling} V"
"""


@pytest.mark.parametrize(("low", "high", "ceiling", "exit_code"), [(11.4, 12.6, 14.0, 0), (1.0, 4.0, 5.0, 1)])
def test_on_the_simulated_meter(tmp_path, low, high, ceiling, exit_code):
    """12 V on a range for 5 V overloads or reads high: either way it is above the ceiling."""
    file = tmp_path / "rail.toml"
    file.write_text(RUNAWAY.format(low=low, high=high, ceiling=ceiling))
    with SimBench() as bench:
        outcome = bench.run(file)
        assert outcome.exit_code == exit_code
        assert ("above" in outcome.words) == bool(exit_code)
