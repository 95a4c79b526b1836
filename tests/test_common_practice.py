"""Check values that technicians state from practice. Common practice, no source; never used as demo data.

Each holds the main job against a number that did not come from this project.
"""

import math

import numpy as np
import pytest

import benchrig
from benchrig.bench.model import Accuracy, Probe
from benchrig.instruments import Function
from benchrig.judgement.correction import correct
from benchrig.judgement.uncertainty import Estimate

WINDOW = (5650.0, 5950.0)


def pulse_train(high, low, *, volts=5.0, interval=20e-9, cycles=8, edge=200e-9, noise=0.02):
    """Trapezoid pulses in seconds and volts, with seeded noise."""
    t = np.arange(0.0, cycles * (high + low), interval)
    phase = (t - 0.3 * low) % (high + low)
    rise, fall = phase / edge + 0.5, (high - phase) / edge + 0.5
    shape = np.clip(np.minimum(rise, fall), 0.0, 1.0)
    late = np.clip((phase - (high + low)) / edge + 0.5, 0.0, 1.0)
    return volts * np.maximum(shape, late) + np.random.default_rng(4).normal(0.0, noise, t.size)


def test_a_flyback_timer_of_10_us_high_and_40_us_low():
    """Duty factor 0.2, 20 kHz (common practice, no source)."""
    found = benchrig.measure_pulses(benchrig.Waveform(pulse_train(10e-6, 40e-6), 20e-9))
    assert found.high_time == pytest.approx(10e-6, abs=4 * found.uncertainty["high_time"])
    assert found.low_time == pytest.approx(40e-6, abs=4 * found.uncertainty["low_time"])
    assert found.duty_factor == pytest.approx(0.2, abs=2e-3)
    assert 1.0 / found.period == pytest.approx(20e3, rel=1e-3)


@pytest.mark.parametrize(
    ("volts", "verdict"), [(5800.0, "pass"), (5650.0, "pass"), (5950.0, "pass"), (6010.0, "fail"), (5600.0, "fail")]
)
def test_a_small_tube_is_set_near_5_8_kilovolts(volts, verdict):
    """In specification from 5.65 to 5.95 kV (common practice, no source), by simple acceptance."""
    assert benchrig.judge(volts, 0.0, WINDOW, rule="simple").verdict == verdict


def test_low_6_kilovolt_readings_are_still_acceptable_to_practice_and_outside_the_window():
    """Hence two windows: what is preferred, and what is still acceptable (common practice, no source)."""
    from benchrig.judgement.rules import judge_two_tier

    found = judge_two_tier(6030.0, 10.0, WINDOW, (5500.0, 6100.0))
    assert (str(found.tier), found.verdict) == ("acceptable", "pass")


def test_reading_times_a_thousand_behind_the_usual_probe():
    """A 1000:1 probe into the meter it is made for (common practice, no source)."""
    probe = Probe("hv", 1000.0, resistance=1e9, made_for=10e6, tolerance=0.01)
    row = Accuracy(Function.DC_VOLTAGE, 6.0, of_reading=0.005, counts=2, resolution=0.001)
    found = correct(Estimate(5.8, 0.0), row, 10e6, probe)
    assert found.value == pytest.approx(5800.0)
    # +-1 % of 5800 V and +-(0.5 % + 2 counts of 1 V), both rectangular, by hand: 33.5 and 17.9 V.
    assert found.uncertainty == pytest.approx(math.hypot(58.0, 31.0) / math.sqrt(3.0), rel=1e-3)


@pytest.mark.parametrize(("one", "other", "match"), [(8.5, 8.6, True), (9.62, 9.71, True), (8.5, 11.0, False)])
def test_secondary_halves_read_8_5_to_11_and_match(one, other, match):
    """Each half 8.5 to 11 V AC, and alike (common practice, no source); mismatch as a share of the mean."""
    from benchrig.procedure.quantities import Operation
    from benchrig.session.verdicts import Value, derived

    both = [Value(one, 0.0, "V"), Value(other, 0.0, "V")]
    assert all(benchrig.judge(v.value, 0.0, (8.5, 11.0), rule="simple").verdict == "pass" for v in both)
    assert (derived(Operation.PERCENT_MISMATCH, both, "1").value < 0.03) is match


@pytest.mark.parametrize(("rail", "window"), [(-5.0, (-5.25, -4.75)), (5.0, (4.75, 5.25)), (-13.0, (-13.65, -12.35))])
def test_rails_of_minus_5_plus_5_and_minus_13(rail, window):
    """+-5 % windows (common practice, no source; 5 % is also the LM78xx data sheet's limit over line and load)."""
    assert benchrig.judge(rail, 0.02, window).verdict == "pass"
    assert benchrig.judge(rail * 1.06, 0.02, window).verdict == "fail"


@pytest.mark.parametrize(("scale", "reach"), [(0.1, 0.011), (0.005, 0.0015)])
def test_an_offset_is_nulled_at_100_millivolts_a_division_and_then_at_5(scale, reach):
    """Why two looks: with 0.1 division + 1 mV of error the first cannot null to a millivolt (common practice, no
    source for the steps; the error limit is that of a common bench scope's data sheet).
    """
    limit = 0.1 * scale + 0.001
    assert limit == pytest.approx(reach)
    window = (-0.005, 0.005)
    decides = benchrig.judge(0.0, limit / math.sqrt(3.0), window).verdict == "pass"
    assert decides is (scale < 0.1)


def test_a_good_fuse_has_continuity():
    """A 0.5 A slow-blow fuse reads ohms or it is replaced (common practice, no source)."""
    assert benchrig.judge(0.4, 0.1, (None, 2.0)).verdict == "pass"
    assert benchrig.judge(1e6, 0.1, (None, 2.0)).verdict == "fail"


def test_a_longer_on_time_raises_the_kilovolts_a_little():
    """On the simulated chassis too (common practice, no source)."""
    from benchrig.testing import SimBench

    with SimBench(seed=0) as bench:
        before, on = bench.truth("A4 TP40"), bench.truth("A4 TP42")
        bench.world.hands.turn("RV43", 20.0)
        bench.clock.sleep_until(bench.clock.now() + 5.0)
        bench.world.hands.turn("RV43", 1.0)
        bench.clock.sleep_until(bench.clock.now() + 5.0)
        after, longer = bench.truth("A4 TP40"), bench.truth("A4 TP42")
        assert (after > before) is (longer > on)
        assert 0.0 < abs(after / before - 1.0) < 0.2
