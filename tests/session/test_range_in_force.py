"""The data-sheet row of a reading is that of the range in force, not of the value that is shown.

A maker's limit "% of reading + % of range" grows with the range (JCGM 100:2008, 4.3.7, for what a limit becomes); the
figures are those of a 3.5-digit handheld and of a 34401A class meter, from memory.
"""

from __future__ import annotations

import math

import pytest

from benchrig.bench.model import Accuracy, InstrumentSpec
from benchrig.clock import SimClock
from benchrig.instruments import Function
from benchrig.judgement.correction import correct
from benchrig.judgement.uncertainty import Estimate
from benchrig.procedure.quantities import MeterSource
from benchrig.readings import Reading
from benchrig.session.meter_reader import MeterReader

VOLTS = Function.DC_VOLTAGE
HANDHELD = InstrumentSpec(
    "handheld",
    "fs9721",
    "sim://handheld",
    accuracy=(Accuracy(VOLTS, 4.0, 0.005, 0.0, 2.0, 1e-3), Accuracy(VOLTS, 40.0, 0.005, 0.0, 2.0, 1e-2)),
)
BENCH_METER = InstrumentSpec(
    "meter",
    "meter-scpi",
    "sim://meter",
    accuracy=(
        Accuracy(VOLTS, 1.0, 4e-5, 7e-6),
        Accuracy(VOLTS, 12.0, 3.5e-5, 5e-6),
        Accuracy(VOLTS, 1000.0, 4.5e-5, 1e-5),
    ),
)


def uncertainty(spec: InstrumentSpec, reading: Reading) -> float:
    source = MeterSource(spec.name, VOLTS, "TP1")
    at_the_tip = MeterReader(source, None, spec, None, SimClock()).at_the_tip(reading)
    assert at_the_tip.uncertainty is not None
    return at_the_tip.uncertainty


def test_a_range_that_was_set_counts_with_its_own_row() -> None:
    """0.8 V on the 1000 V range of a bench meter: 10 mV of range, and not 7 uV."""
    low, high = (uncertainty(BENCH_METER, Reading(0.8, "V", full_scale=full)) for full in (1.0, 1000.0))
    assert low == pytest.approx((0.8 * 4e-5 + 7e-6) / math.sqrt(3.0), rel=1e-3)
    assert high == pytest.approx((0.8 * 4.5e-5 + 1e-2) / math.sqrt(3.0), rel=1e-3)


def test_a_range_with_over_range_finds_its_row() -> None:
    """The 10 V range of such a meter reaches 12 V, as its row in the bench file does."""
    assert BENCH_METER.accuracy_at(VOLTS, 7.0, full_scale=10.0) is BENCH_METER.accuracy[1]
    assert BENCH_METER.accuracy_at(VOLTS, 1.1, full_scale=1.0) is BENCH_METER.accuracy[1]


def test_a_range_that_no_row_is_of_takes_the_largest_row() -> None:
    """A 3 kV range that the bench file forgot: too much uncertainty is said rather than too little."""
    assert BENCH_METER.accuracy_at(VOLTS, 0.5, full_scale=3000.0) is BENCH_METER.accuracy[2]
    assert BENCH_METER.accuracy_at(Function.RESISTANCE, 0.5, full_scale=3000.0) is None


def test_a_handheld_on_a_fixed_range_is_known_by_its_display() -> None:
    """2.00 V shown with 10 mV a count stands on the 40 V range: two counts are 20 mV, not 2 mV."""
    fine, rough = (uncertainty(HANDHELD, Reading(2.0, "V", resolution=count)) for count in (1e-3, 1e-2))
    assert fine == pytest.approx((0.01 + 2e-3) / math.sqrt(3.0), rel=1e-3)
    assert rough == pytest.approx((0.01 + 2e-2) / math.sqrt(3.0), rel=1e-3)


def test_without_either_it_is_the_smallest_range_that_holds_the_value() -> None:
    """As an instrument does that chooses by itself."""
    assert HANDHELD.accuracy_at(VOLTS, 2.0) is HANDHELD.accuracy[0]
    assert HANDHELD.accuracy_at(VOLTS, 2.0, resolution=0.5) is HANDHELD.accuracy[0]
    assert HANDHELD.accuracy_at(VOLTS, 41.0) is None


def test_a_row_without_counts_carries_the_displays_count() -> None:
    """Half a count each way, rectangular (JCGM 100:2008, F.2.2.1)."""
    row = Accuracy(VOLTS, 20.0, 0.001)
    found = correct(Estimate(2.0, 0.0), row, shows=0.1).uncertainty
    assert found == pytest.approx(math.hypot(0.002, 0.05) / math.sqrt(3.0), rel=1e-6)
