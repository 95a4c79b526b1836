"""Pulses of any size, speed, converter and place: the same numbers, within their own uncertainty."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from known_shapes import pulses

from benchrig import Pulses, Waveform, measure_pulses

PUBLIC = (
    "low_state", "high_state", "amplitude", "period", "high_time", "low_time", "duty_factor", "rise_time", "fall_time",
    "overshoot", "undershoot", "ring_frequency", "ring_damping", "ring_energy", "period_jitter", "noise", "cycles",
    "uncertainty",
)  # fmt: skip


def test_public_names_are_there() -> None:
    """The names that users and outside drivers rely on; what has a value has an uncertainty, in the same unit."""
    found = measure_pulses(Waveform(pulses(np.arange(3000.0), 300.0, 1000.0, 400.0, 10.0), 1e-6))
    for name in PUBLIC:
        assert hasattr(found, name)
    for name in PUBLIC[:-2]:
        assert (name in found.uncertainty) == (getattr(found, name) is not None)
    assert all(uncertainty >= 0.0 for uncertainty in found.uncertainty.values())


@settings(max_examples=150, deadline=None, derandomize=True)
@given(
    duty=st.floats(0.05, 0.95),
    cycles=st.floats(2.2, 12.0),
    phase=st.floats(0.0, 1.0),
    edge=st.floats(0.002, 0.3),
    amplitude=st.floats(-3.0, 3.5).map(lambda x: 10.0**x),
    bottom=st.floats(-20.0, 20.0),
    noise=st.floats(-4.0, -1.5).map(lambda x: 10.0**x),
    interval=st.floats(-12.0, 0.0).map(lambda x: 10.0**x),
    converter=st.sampled_from(["volts", "u1", "i1", "u2", "i2"]),
    sign=st.sampled_from([1.0, -1.0]),
    seed=st.integers(0, 2**32 - 1),
)
def test_any_pulse_train_is_measured(
    duty: float, cycles: float, phase: float, edge: float, amplitude: float, bottom: float, noise: float,
    interval: float, converter: str, sign: float, seed: int,
) -> None:  # fmt: skip
    """Millivolts to kilovolts, picoseconds to seconds, few cycles, offsets far above the swing, any converter."""
    random = np.random.default_rng(seed)
    period = 900.0
    times = np.arange(int(cycles * period), dtype=np.float64)
    ramp = edge * min(duty, 1.0 - duty) * period
    course = pulses(times, phase * period, period, duty * period, ramp)
    volts = amplitude * (bottom + course + random.normal(0.0, noise, times.size))
    found = measure_pulses(recorded(volts, interval, converter, sign))
    expect = {
        "period": period * interval, "high_time": duty * period * interval,
        "low_time": (1.0 - duty) * period * interval,
        "duty_factor": duty, "amplitude": amplitude, "low_state": bottom * amplitude,
        "high_state": (bottom + 1.0) * amplitude,
    }  # fmt: skip
    for name, truth in expect.items():
        value, uncertainty = getattr(found, name), found.uncertainty[name]
        assert abs(value - truth) <= 6.0 * uncertainty + 1e-9 * abs(truth), (name, value, truth, uncertainty)
    assert found.uncertainty["high_time"] < 0.02 * period * interval
    assert found.cycles >= 1


def recorded(volts: np.ndarray, interval: float, converter: str, sign: float) -> Waveform:
    """As volts, or as codes that fill three quarters of the converter, counting up or down."""
    if converter == "volts":
        return Waveform(volts, interval)
    limits = np.iinfo(np.dtype(converter))
    scale = sign * float(np.ptp(volts)) / (0.75 * (int(limits.max) - int(limits.min)))
    offset = float(volts.max() + volts.min()) / 2.0 - scale * (int(limits.max) + int(limits.min)) / 2.0
    return Waveform.from_codes(np.rint((volts - offset) / scale).astype(converter), scale, offset, interval)


def test_one_pulse_has_a_width_and_no_period() -> None:
    """What the record does not hold is None, not a guess."""
    found = measure_pulses(Waveform(pulses(np.arange(2000.0), 500.0, 1e9, 300.0, 20.0), 1e-6))
    assert found.high_time == pytest.approx(300e-6, rel=1e-6)
    assert (found.period, found.low_time, found.duty_factor, found.cycles) == (None, None, None, 0)
    assert "period" not in found.uncertainty


def test_a_gap_between_two_cut_pulses_has_a_low_time_only() -> None:
    """Parts of pulses at the ends of the record do not count."""
    volts = 1.0 - pulses(np.arange(2000.0), 500.0, 1e9, 300.0, 20.0)
    found = measure_pulses(Waveform(volts, 1e-6))
    assert found.low_time == pytest.approx(300e-6, rel=1e-6)
    assert found.high_time is None


@pytest.mark.parametrize("phase", np.arange(0.0, 1000.0, 37.0))
def test_where_the_record_begins_changes_nothing(phase: float) -> None:
    """Also when it begins or ends in the middle of an edge."""
    volts = 2.0 + 3.0 * pulses(np.arange(4000.0), phase, 1000.0, 250.0, 80.0)
    found = measure_pulses(Waveform(volts, 1e-6))
    assert found.high_time == pytest.approx(250e-6, rel=1e-6)
    assert found.low_state == pytest.approx(2.0, abs=1e-6)
    assert found.high_state == pytest.approx(5.0, abs=1e-6)


def test_upside_down_swaps_high_and_low() -> None:
    """An inverted signal has the other times and edges."""
    volts = pulses(np.arange(5000.0), 300.0, 1000.0, 250.0, 30.0)
    up, down = measure_pulses(Waveform(volts, 1e-6)), measure_pulses(Waveform(-volts, 1e-6))
    assert (down.high_time, down.low_time) == pytest.approx((up.low_time, up.high_time))
    assert down.high_state == pytest.approx(-up.low_state, abs=1e-12)


def test_start_moves_the_instants_only() -> None:
    """Instants are on the record's own time axis."""
    volts = pulses(np.arange(3000.0), 300.0, 1000.0, 250.0, 30.0)
    found = measure_pulses(Waveform(volts, 1e-6, start=-1.0))
    assert found.rises == pytest.approx(np.array([300e-6, 1300e-6, 2300e-6]) - 1.0, abs=1e-9)


def test_timebase_accuracy_is_in_the_uncertainty_of_times_and_not_of_the_duty_factor() -> None:
    """50 ppm as a rectangular limit is 28.9 ppm (GUM 4.3.7); a ratio of two times does not feel it."""
    volts = pulses(np.arange(4000.0), 300.0, 1000.0, 250.0, 30.0)
    found = measure_pulses(Waveform(volts, 1e-6, timebase_accuracy=50e-6))
    assert found.uncertainty["period"] == pytest.approx(1e-3 * 50e-6 / np.sqrt(3.0), rel=0.02)
    assert found.uncertainty["duty_factor"] < 1e-6


def test_codes_and_their_volts_give_the_same_numbers() -> None:
    """Codes are measured as they are; the answer is that of the volts."""
    random = np.random.default_rng(9)
    volts = 5.0 * pulses(np.arange(20_000.0), 300.0, 1000.0, 250.0, 30.0) + random.normal(0.0, 0.05, 20_000)
    wave = recorded(volts, 1e-6, "u1", -1.0)
    one, other = measure_pulses(wave), measure_pulses(Waveform(wave.volts, 1e-6))
    for name in ("high_time", "low_time", "period", "low_state", "high_state", "rise_time"):
        assert getattr(one, name) == pytest.approx(getattr(other, name), rel=1e-3, abs=1e-3 * one.amplitude)


def test_wander_of_the_edges_is_told_and_widens_the_uncertainty() -> None:
    """Jitter of 2 samples per edge: the uncertainty is that of the mean of what was seen."""
    random = np.random.default_rng(4)
    times = np.arange(40_000.0)
    starts = 200.0 + 1000.0 * np.arange(39) + random.normal(0.0, 2.0, 39)
    volts = sum(np.clip((times - s) / 20.0, 0, 1) - np.clip((times - s - 300.0) / 20.0, 0, 1) for s in starts)
    found: Pulses = measure_pulses(Waveform(np.asarray(volts) + random.normal(0.0, 1e-3, times.size), 1.0))
    assert found.period_jitter == pytest.approx(2.0 * np.sqrt(2.0), rel=0.35)
    assert found.uncertainty["period"] > 0.05


def test_a_long_record_needs_less_memory_than_a_copy_of_its_codes() -> None:
    """Codes are counted and compared in blocks; 8 M of them never become floats."""
    codes = np.tile(
        np.rint(60.0 + 120.0 * pulses(np.arange(5000.0), 1000.0, 5000.0, 1000.0, 40.0)).astype(np.uint8), 1600
    )
    wave = Waveform.from_codes(codes, 0.05, -3.0, 4e-9)
    tracemalloc.start()
    found = measure_pulses(wave)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert found.high_time == pytest.approx(4e-6, rel=1e-4)
    assert peak < codes.nbytes


def test_measuring_leaves_the_callers_samples_alone() -> None:
    """A record is a view that cannot be written through."""
    volts = pulses(np.arange(3000.0), 300.0, 1000.0, 250.0, 30.0)
    before = volts.copy()
    wave = Waveform(volts, 1e-6)
    measure_pulses(wave)
    assert np.array_equal(volts, before)
    assert not wave.samples.flags.writeable


def test_a_record_that_ends_soon_after_an_edge_keeps_its_levels() -> None:
    """What still rings at the record's end tells no level, and overshoot of the whole pulses is still seen."""
    times = np.arange(2500) * 32e-9
    since = np.maximum(times - 19.1e-6, 0.0)
    back = np.maximum(times - 33.1e-6, 0.0)
    again = np.maximum(times - 79.1e-6, 0.0)
    volts = 20.0 * pulses(times, 19.04e-6, 60e-6, 14e-6, 0.12e-6)
    for t, sign in ((since, 1.0), (back, -1.0), (again, 1.0)):
        volts += sign * 4.0 * np.exp(-t / 1.5e-6) * np.sin(2.0 * np.pi * 1.2e6 * t)
    volts += np.random.default_rng(1).normal(0.0, 0.05, times.size)
    found = measure_pulses(Waveform(volts, 32e-9))
    assert found.high_state == pytest.approx(20.0, abs=0.02)
    assert 0.14 < found.overshoot < 0.19
