"""What is no pulse, or no record, is refused with the numbers; what is doubtful is flagged."""

from __future__ import annotations

import numpy as np
import pytest
from known_shapes import pulses
from numpy.typing import ArrayLike

from benchrig import Waveform, measure_pulses
from benchrig.errors import SignalError
from benchrig.signals import Caution

TIMES = np.arange(4000.0)


@pytest.mark.parametrize(
    ("volts", "words"),
    [
        ([], "0 samples"),
        ([1.0], "1 samples"),
        ([0.0, np.nan, 1.0], "index 1"),
        ([0.0, 1.0, np.inf], "index 2"),
        ([[0.0, 1.0], [1.0, 0.0]], r"\(2, 2\)"),
        (["a", "b"], "not real numbers"),
        ([0.0, 5e300, 0.0], "5e\\+300 V"),
        ([1j, 2j], "not real numbers"),
    ],
)
def test_what_is_no_record_is_refused(volts: ArrayLike, words: str) -> None:
    """Empty, one sample, not finite, two rows, not numbers."""
    with pytest.raises(SignalError, match=words):
        Waveform(volts, 1e-6)


@pytest.mark.parametrize("interval", [0.0, -1e-6, np.nan, np.inf])
def test_time_that_does_not_advance_is_refused(interval: float) -> None:
    """The message holds the interval."""
    with pytest.raises(SignalError, match=r"interval"):
        Waveform([0.0, 1.0], interval)


def test_rows_of_unequal_length_are_not_a_record() -> None:
    """The message holds the shape as far as there is one; times have no place in a record but as an interval."""
    with pytest.raises(SignalError, match=r"\(2,\)"):
        Waveform([[0.0, 1.0], [1.0]], 1e-6)


@pytest.mark.parametrize(("scale", "offset"), [(0.0, 0.0), (np.nan, 0.0), (1.0, np.inf)])
def test_codes_without_a_scale_are_refused(scale: float, offset: float) -> None:
    """A scale of 0 would make every record constant."""
    with pytest.raises(SignalError, match="do not turn codes into volts"):
        Waveform.from_codes(np.array([1, 2, 3], dtype=np.uint8), scale, offset, 1e-6)


def test_codes_with_a_scale_of_no_instrument_are_refused() -> None:
    """What leaves the range of a double when it is squared."""
    with pytest.raises(SignalError, match=r"e\+202 V"):
        Waveform.from_codes(np.array([1, 2, 3], dtype=np.uint8), 1e200, 0.0, 1e-6)


@pytest.mark.parametrize("swing", [5e-300, 5e-310])
def test_a_swing_of_nothing_is_no_pulse(swing: float) -> None:
    """Also below what a double holds in full."""
    with pytest.raises(SignalError, match="no pulse"):
        measure_pulses(Waveform(swing * pulses(TIMES, 300.0, 1000.0, 400.0), 1e-6))


def test_floats_are_not_codes() -> None:
    """Codes are integers."""
    with pytest.raises(SignalError, match="integers"):
        Waveform.from_codes(np.array([1.0, 2.0]), 1.0, 0.0, 1e-6)


@pytest.mark.parametrize("level", [0.0, 3.3, -1e4])
def test_a_constant_is_no_pulse(level: float) -> None:
    """DC: the message says which."""
    with pytest.raises(SignalError, match="no pulse"):
        measure_pulses(Waveform(np.full(1000, level), 1e-6))


@pytest.mark.parametrize("seed", range(20))
def test_noise_is_no_pulse(seed: int) -> None:
    """White noise about any level has no two states."""
    noise = np.random.default_rng(seed).normal(5.0, 0.1, 4000)
    with pytest.raises(SignalError):
        measure_pulses(Waveform(noise, 1e-6))


def test_a_ramp_and_a_single_edge_are_no_pulse() -> None:
    """Something changes, but no pulse begins and ends."""
    with pytest.raises(SignalError):
        measure_pulses(Waveform(np.linspace(0.0, 5.0, 2000), 1e-6))
    with pytest.raises(SignalError, match="no whole pulse"):
        measure_pulses(Waveform(np.where(TIMES < 1700.0, 0.0, 5.0), 1e-6))


def test_one_sample_a_state_is_refused() -> None:
    """0 5 0 5: the samples cannot tell what lies between them."""
    with pytest.raises(SignalError, match="samples"):
        measure_pulses(Waveform(np.tile([0.0, 5.0], 500), 1e-6))


@pytest.mark.parametrize("dtype", [np.uint8, np.int8, np.uint16, np.int16])
@pytest.mark.parametrize("scale", [0.02, -0.02])
def test_states_at_the_limit_of_the_converter_are_refused(dtype: type, scale: float) -> None:
    """A state driven to the rail is not a level that was measured."""
    limits = np.iinfo(dtype)
    middle = (int(limits.max) + int(limits.min)) // 2
    codes = np.where(pulses(TIMES, 300.0, 1000.0, 400.0) > 0.5, limits.max, middle).astype(dtype)
    with pytest.raises(SignalError, match="clipped"):
        measure_pulses(Waveform.from_codes(codes, scale, 0.0, 1e-6))


def test_all_clipped_is_refused() -> None:
    """Every sample at the top: no pulse."""
    with pytest.raises(SignalError):
        measure_pulses(Waveform.from_codes(np.full(500, 255, dtype=np.uint8), 0.02, 0.0, 1e-6))


def test_clipped_peaks_are_flagged() -> None:
    """States inside the range, ringing beyond it: overshoot is at least what is shown."""
    volts = 100.0 + 100.0 * pulses(TIMES, 300.0, 1000.0, 400.0, 10.0)
    volts += 100.0 * (np.abs((TIMES - 320.0) % 1000.0) < 8.0)
    codes = np.clip(np.rint(volts), 0, 255).astype(np.uint8)
    assert Caution.CLIPPED in measure_pulses(Waveform.from_codes(codes, 1.0, 0.0, 1e-6)).cautions


def test_glitches_are_left_out_and_flagged() -> None:
    """One sample to the other state in the middle of a pulse does not cut it in two."""
    volts = 5.0 * pulses(TIMES, 300.0, 1000.0, 400.0, 10.0)
    volts[[500, 1500]] = 0.0
    volts[[900, 2900]] = 5.0
    found = measure_pulses(Waveform(volts, 1e-6))
    assert found.high_time == pytest.approx(400e-6, rel=1e-3)
    assert Caution.GLITCHES in found.cautions


def test_a_spike_moves_neither_level_nor_width_and_is_flagged() -> None:
    """Six times the amplitude for two samples, above one state and below the other."""
    volts = 5.0 * pulses(TIMES, 300.0, 1000.0, 400.0, 10.0) + np.random.default_rng(3).normal(0.0, 0.05, TIMES.size)
    clean = measure_pulses(Waveform(volts, 1e-6))
    volts[[560, 2100]] += [30.0, -30.0]
    found = measure_pulses(Waveform(volts, 1e-6))
    assert abs(found.high_state - 5.0) <= 4.0 * found.uncertainty["high_state"] <= 0.02
    assert abs(found.low_state) <= 4.0 * found.uncertainty["low_state"] <= 0.02
    assert found.high_time == pytest.approx(clean.high_time, abs=clean.uncertainty["high_time"])
    assert found.uncertainty["high_time"] == pytest.approx(clean.uncertainty["high_time"], rel=0.2)
    assert Caution.GLITCHES in found.cautions
    assert Caution.GLITCHES not in clean.cautions


def test_a_runt_is_no_pulse() -> None:
    """It turns back before it arrives, so it is neither a pulse nor the end of one."""
    volts = 5.0 * pulses(TIMES, 300.0, 1000.0, 400.0, 10.0)
    volts += 3.0 * pulses(TIMES, 850.0, 1e9, 60.0, 10.0)
    found = measure_pulses(Waveform(volts, 1e-6))
    assert found.high_time == pytest.approx(400e-6, rel=1e-3)
    assert found.period == pytest.approx(1e-3, rel=1e-3)


def test_edges_between_two_samples_are_flagged_and_in_the_uncertainty() -> None:
    """The instant is uniform within a sample: a width is off by at most one, sd h/sqrt(6) (uniform distribution)."""
    random = np.random.default_rng(3)
    errors, uncertainties = [], []
    for _ in range(200):
        volts = pulses(TIMES[:1500], random.uniform(100.0, 200.0), 1e9, 333.0 + random.uniform(), 1e-6)
        wide = float(np.count_nonzero(volts > 0.5))
        found = measure_pulses(Waveform(volts + random.normal(0.0, 1e-3, volts.size), 1.0))
        assert found.high_time is not None
        errors.append(found.high_time - wide)
        uncertainties.append(found.uncertainty["high_time"])
        assert Caution.UNRESOLVED in found.cautions
    assert np.max(np.abs(errors)) <= 1.0
    assert np.mean(uncertainties) == pytest.approx(1.0 / np.sqrt(6.0), rel=0.1)


def test_an_untriggered_record_is_flagged() -> None:
    """A forced trigger may show anything."""
    wave = Waveform(pulses(TIMES, 300.0, 1000.0, 400.0, 10.0), 1e-6, triggered=False)
    assert Caution.UNTRIGGERED in measure_pulses(wave).cautions
