"""Mean, RMS and hum against closed forms and an independent transform; records that tell quiet from busy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from known_shapes import pulses

from benchrig import Waveform
from benchrig.errors import SignalError
from benchrig.signals import Gate, GatePhase, ReadingGate, hum, mean, measure_level, record_activity, rms

RATE = 10_000.0
TIMES = np.arange(4000) / RATE


def sine(hertz: float, amplitude: float, phase: float = 0.3) -> np.ndarray:
    return amplitude * np.sin(2.0 * np.pi * hertz * TIMES + phase)


def goertzel(volts: np.ndarray, hertz: float) -> float:
    """RMS of one tone by Goertzel's recurrence (American Mathematical Monthly, 1958), whole cycles only."""
    turn = 2.0 * math.cos(2.0 * math.pi * hertz / RATE)
    last = before = 0.0
    for value in volts:
        last, before = float(value) + turn * last - before, last
    power = last * last + before * before - turn * last * before
    return math.sqrt(2.0 * power) / volts.size


def test_rms_of_a_sine_is_its_amplitude_over_root_2() -> None:
    """Whole cycles are found in a record that does not hold a whole number of them."""
    found = rms(Waveform(1.5 + sine(53.7, 2.0), 1.0 / RATE), ac=True)
    assert found.value == pytest.approx(2.0 / math.sqrt(2.0), rel=1e-3)


def test_rms_of_pulses_is_the_root_of_the_duty_factor() -> None:
    """A sqrt(D) for pulses from 0 to A, mean A D (textbook)."""
    wave = Waveform(5.0 * pulses(np.arange(4300.0), 200.0, 1000.0, 200.0, 0.01), 1e-6)
    assert rms(wave).value == pytest.approx(5.0 * math.sqrt(0.2), rel=2e-3)
    assert mean(wave).value == pytest.approx(1.0, rel=2e-3)


def test_mean_of_edges_between_two_samples_has_the_uncertainty_of_where_they_were() -> None:
    """5 V for 300 of 1000 samples, in step with the signal: two edges, each uniform within a sample (GUM 4.3.7)."""
    volts = np.where(np.arange(4000) % 1000 < 300, 5.0, 0.0)
    uncertainty = np.sqrt(2.0 / 12.0) / 1000.0  # of the duty factor
    assert mean(Waveform(volts, 1e-6)).uncertainty == pytest.approx(5.0 * uncertainty)
    assert rms(Waveform(volts, 1e-6)).uncertainty == pytest.approx(25.0 * uncertainty / 2.0 / np.sqrt(7.5), rel=0.01)


def test_mean_of_a_steady_level_has_the_error_of_its_noise() -> None:
    """sigma / sqrt(n) (GUM 4.2.3); the truth lies within 2 u about 95 times in 100."""
    random = np.random.default_rng(2)
    found = [measure_level(Waveform(3.3 + random.normal(0.0, 0.1, 4000), 1e-6)) for _ in range(300)]
    assert np.median([each.uncertainty for each in found]) == pytest.approx(0.1 / math.sqrt(4000.0), rel=0.1)
    assert 0.91 <= np.mean([abs(each.value - 3.3) <= 2.0 * each.uncertainty for each in found]) <= 0.99


@pytest.mark.parametrize("measure", [mean, rms, measure_level, lambda wave: hum(wave, 45.0, 65.0)])
def test_a_clipped_record_has_no_level(measure: object) -> None:
    """The part beyond the converter is not known."""
    codes = np.clip(np.rint(128.0 + sine(50.0, 200.0)), 0, 255).astype(np.uint8)
    with pytest.raises(SignalError, match="clipped"):
        measure(Waveform.from_codes(codes, 0.1, 0.0, 1.0 / RATE))  # type: ignore[operator]


@pytest.mark.parametrize("hertz", [50.0, 60.0, 100.0])
def test_hum_agrees_with_goertzel_on_whole_cycles(hertz: float) -> None:
    """An independent transform of the same record."""
    volts = 5.0 + sine(hertz, 0.02) + np.random.default_rng(1).normal(0.0, 0.005, TIMES.size)
    found = hum(Waveform(volts, 1.0 / RATE), 0.9 * hertz, 1.1 * hertz)
    assert found.value == pytest.approx(goertzel(volts - volts.mean(), hertz), abs=3.0 * found.uncertainty)
    assert found.value == pytest.approx(0.02 / math.sqrt(2.0), abs=4.0 * found.uncertainty)


def test_a_strong_neighbour_does_not_leak_into_the_band() -> None:
    """1 V at 173.3 Hz beside 1 mV at 50 Hz, and no whole cycles of either."""
    volts = sine(173.3, 1.0) + sine(50.3, 1e-3, 1.0)
    assert hum(Waveform(volts, 1.0 / RATE), 45.0, 65.0).value == pytest.approx(1e-3 / math.sqrt(2.0), rel=0.02)


def test_noise_alone_is_no_hum() -> None:
    """The uncertainty says how much could hide."""
    found = hum(Waveform(np.random.default_rng(5).normal(0.0, 0.01, TIMES.size), 1.0 / RATE), 45.0, 65.0)
    assert found.value == 0.0
    assert 0.0 < found.uncertainty < 1e-3


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [(65.0, 45.0, "not a band"), (-1.0, 5.0, "not a band"), (1.0, 3.0, "cycles"), (100.0, 4000.0, "too few")],
)
def test_a_band_the_record_cannot_show_is_refused(low: float, high: float, words: str) -> None:
    """Upside down, too low for the length, too high for the rate."""
    with pytest.raises(SignalError, match=words):
        hum(Waveform(sine(50.0, 1.0), 1.0 / RATE), low, high)


@pytest.mark.parametrize(("quiet", "busy"), [(3, 2), (30, 20), (7, 11)])
def test_records_of_the_quiet_phase_are_told_without_the_period(quiet: int, busy: int) -> None:
    """After both phases were seen, every record is put in its own."""
    random = np.random.default_rng(quiet)
    gate, right = Gate(), []
    for k in range(6 * (quiet + busy)):
        is_quiet = k % (quiet + busy) < quiet
        volts = random.normal(0.0, 1e-3, 500) + (0.0 if is_quiet else np.sin(np.arange(500) / 9.0))
        gate = gate.step(record_activity(Waveform(volts, 1e-6)))
        if k >= 2 * (quiet + busy):
            right.append(gate.phase is (GatePhase.QUIET if is_quiet else GatePhase.BUSY))
    assert all(right)


def test_one_phase_alone_is_not_called_quiet() -> None:
    """Who has not seen the busy phase does not know that this is not it."""
    gate, random = Gate(), np.random.default_rng(1)
    for _ in range(50):
        gate = gate.step(1.0 + 0.1 * random.uniform())
        assert gate.phase is GatePhase.UNKNOWN
        assert gate.reason


def test_meter_readings_are_judged_by_their_neighbours() -> None:
    """Quiet readings agree; none of a busy phase passes for one."""
    random, gate = np.random.default_rng(3), ReadingGate()
    truth: list[bool] = []
    quiet_found = 0
    for k in range(300):
        is_quiet = k % 25 < 15
        truth.append(is_quiet)
        gate = gate.step(-0.041 + random.normal(0.0, 1e-4) + (0.0 if is_quiet else random.uniform(-1.5, 1.5)))
        if k and gate.phase is GatePhase.QUIET:
            assert truth[k - 1]
            quiet_found += 1
    assert quiet_found > 80


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_gates_refuse_what_is_not_a_number(value: float) -> None:
    """A gate that swallowed NaN would never open again."""
    with pytest.raises(SignalError):
        Gate().step(value)
    with pytest.raises(SignalError):
        ReadingGate().step(value)
