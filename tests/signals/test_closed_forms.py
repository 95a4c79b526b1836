"""Pulses whose parameters are known in closed form, each with its source."""

from __future__ import annotations

import numpy as np
import pytest
from known_shapes import pulses, second_order, single_pole, trapezoid
from scipy.signal import find_peaks, peak_widths
from scipy.special import erf

from benchrig import Waveform, measure_pulses
from benchrig.signals import Caution


def test_trapezoid_is_measured_at_half_its_height() -> None:
    """W 10 us, Tr 2 us, Tf 4 us: 10 %..90 % is 0.8 of an edge (straight lines; IEEE 181 reference levels)."""
    times = np.arange(0.0, 100e-6, 20e-9)
    volts = -0.5 + 5.0 * sum(trapezoid(times - t, 10e-6, 2e-6, 4e-6) for t in (9.9e-6, 59.9e-6))
    found = measure_pulses(Waveform(volts, 20e-9))
    assert found.high_time == pytest.approx(10e-6, rel=1e-6)
    assert found.low_time == pytest.approx(40e-6, rel=1e-6)
    assert found.period == pytest.approx(50e-6, rel=1e-6)
    assert found.duty_factor == pytest.approx(0.2, rel=1e-6)
    assert found.rise_time == pytest.approx(1.6e-6, rel=1e-3)
    assert found.fall_time == pytest.approx(3.2e-6, rel=1e-3)
    assert found.low_state == pytest.approx(-0.5, abs=1e-9)
    assert found.high_state == pytest.approx(4.5, abs=1e-9)
    assert found.amplitude == pytest.approx(5.0, abs=1e-9)
    assert (found.overshoot, found.undershoot) == (0.0, 0.0)
    assert found.cycles == 1


def test_single_pole_rises_in_ln_9_time_constants() -> None:
    """10 %..90 % of a single pole: ln 9 tau = 2.197225 tau; it never overshoots (textbook formula)."""
    times, tau = np.arange(12_000.0), 50.0
    volts = sum(
        single_pole(times - t, tau) - single_pole(times - t - 1500, tau) for t in (800.3, 3800.3, 6800.3, 9800.3)
    )
    found = measure_pulses(Waveform(np.asarray(volts), 1.0))
    assert found.rise_time == pytest.approx(np.log(9.0) * tau, rel=5e-3)
    assert found.fall_time == pytest.approx(np.log(9.0) * tau, rel=5e-3)
    assert found.high_time == pytest.approx(1500.0, rel=1e-4)
    assert found.overshoot == 0.0
    assert found.ring_frequency is None


def test_gaussian_edge_takes_2_563_standard_deviations() -> None:
    """2 x 1.281552, the 90 % point of the normal distribution (any table of it)."""
    times, spread = np.arange(4000.0), 20.0
    volts = 0.5 * (erf((times - 900.0) / spread / np.sqrt(2.0)) - erf((times - 2500.0) / spread / np.sqrt(2.0)))
    found = measure_pulses(Waveform(volts, 1.0))
    assert found.rise_time == pytest.approx(2.563103 * spread, rel=5e-3)
    assert found.high_time == pytest.approx(1600.0, abs=1e-2)


# zeta, overshoot %, dip %, 10 %..90 % rise times wn: second-order step response in closed form (control textbooks:
# overshoot exp(-pi zeta / sqrt(1 - zeta^2)); the rise times were solved numerically).
SECOND_ORDER = [
    (0.05, 85.4468, 73.0115, 1.06028),
    (0.10, 72.9248, 53.1802, 1.10420),
    (0.20, 52.6621, 27.7329, 1.20343),
    (0.30, 37.2326, 13.8627, 1.32134),
    (0.40, 25.3827, 6.4428, 1.46349),
    (0.50, 16.3034, 2.6580, 1.63757),
    (0.60, 9.4780, 0.8983, 1.85405),
    (0.7071, 4.3214, 0.1867, 2.14804),
]


@pytest.mark.parametrize(("zeta", "over", "dip", "rise"), SECOND_ORDER)
def test_second_order_step_gives_its_table_values(zeta: float, over: float, dip: float, rise: float) -> None:
    """Overshoot, dip, rise time, ring frequency and damping of a second-order system."""
    natural = 0.02
    hold = float(int(14.0 / (zeta * natural)))
    times = np.arange(3.0 * hold)
    volts = second_order(times - 0.5 * hold, natural, zeta) - second_order(times - 1.5 * hold, natural, zeta)
    found = measure_pulses(Waveform(volts, 1.0))
    assert 100.0 * found.after_rise.overshoot == pytest.approx(over, rel=0.01)
    assert 100.0 * found.after_rise.undershoot == pytest.approx(dip, rel=0.02, abs=0.01)
    assert 100.0 * found.after_fall.undershoot == pytest.approx(over, rel=0.01)
    assert found.rise_time == pytest.approx(rise / natural, rel=0.01)
    if zeta <= 0.5:
        assert found.ring_frequency == pytest.approx(natural * np.sqrt(1.0 - zeta**2) / (2.0 * np.pi), rel=0.02)
        assert found.ring_damping == pytest.approx(zeta, rel=0.02)


def test_damped_sine_after_an_edge_peaks_where_calculus_says() -> None:
    """y = H + a exp(-t/td) sin(wt): the first peak is a exp(-t/td) sin(wt) at t = atan(w td)/w."""
    step, ring, decay, frequency = 4e-9, 1.5, 1e-6, 2e6
    times = np.arange(0.0, 60e-6, step)
    omega = 2.0 * np.pi * frequency
    since = np.maximum(times - 20e-6, 0.0)
    volts = 5.0 * trapezoid(times - 20e-6 + 5e-9, 20e-6, 10e-9, 10e-9)
    volts += ring * np.exp(-since / decay) * np.sin(omega * since)
    found = measure_pulses(Waveform(volts, step))
    assert found.after_rise.overshoot == pytest.approx(0.265588, rel=0.01)
    assert found.ring_frequency == pytest.approx(frequency, rel=2e-3)
    assert found.ring_damping == pytest.approx(1.0 / np.hypot(1.0, omega * decay), rel=0.02)
    # The integral of (a / A)^2 exp(-2t/td) sin^2(wt) from 0 on, by parts.
    turned = (omega * decay) ** 2
    energy = (ring / 5.0) ** 2 * decay / 4.0 * turned / (1.0 + turned)
    assert found.ring_energy == pytest.approx(energy, rel=0.03)


def test_ring_energy_scatters_as_much_as_it_says() -> None:
    """The same in noise of 1 %: over 60 records the scatter is the stated uncertainty, and noise adds no energy."""
    times = np.arange(0.0, 60e-6, 20e-9)
    since = np.maximum(times - 20e-6, 0.0)
    clean = 5.0 * trapezoid(times - 20e-6 + 50e-9, 20e-6, 100e-9, 100e-9)
    clean += 1.5 * np.exp(-since / 1e-6) * np.sin(2.0 * np.pi * 1e6 * since)
    random = np.random.default_rng(5)
    found = [measure_pulses(Waveform(clean + random.normal(0.0, 0.05, clean.size), 20e-9)) for _ in range(60)]
    energies = np.array([each.after_rise.energy for each in found])
    uncertainty = np.mean([each.after_rise.energy_uncertainty for each in found])
    assert energies.std() == pytest.approx(uncertainty, rel=0.35)
    exact = measure_pulses(Waveform(clean, 20e-9)).after_rise.energy
    assert energies.mean() == pytest.approx(exact, abs=3.0 * uncertainty / np.sqrt(60.0) + 0.02 * exact)


def test_widths_agree_with_scipy_on_clean_pulses() -> None:
    """scipy.signal.peak_widths halves the prominence, which is the amplitude where nothing overshoots."""
    times = np.arange(6000.0)
    volts = 3.0 * pulses(times, 311.7, 1000.0, 234.5, 40.0)
    peaks, _ = find_peaks(volts, plateau_size=1)
    theirs = peak_widths(volts, peaks, rel_height=0.5)
    found = measure_pulses(Waveform(volts, 1.0))
    assert found.high_time == pytest.approx(float(theirs[0].mean()), rel=1e-6)
    assert found.rises == pytest.approx(theirs[2], abs=1e-3)
    assert found.falls == pytest.approx(theirs[3], abs=1e-3)


def test_timer_handbook_times_are_read_back() -> None:
    """A 555-type astable: high ln 2 (RA + RB) C, low ln 2 RB C (every maker's data sheet, 0.693)."""
    upper, lower, farads = 10e3, 47e3, 1e-9
    high, low = np.log(2.0) * (upper + lower) * farads, np.log(2.0) * lower * farads
    times = np.arange(8000) * 50e-9
    volts = 12.0 * pulses(times, 7e-6, high + low, high, 0.2e-6)
    found = measure_pulses(Waveform(volts, 50e-9))
    assert found.high_time == pytest.approx(39.5e-6, rel=2e-3)
    assert found.low_time == pytest.approx(low, rel=1e-4)
    assert found.frequency == pytest.approx(1.0 / (np.log(2.0) * (upper + 2.0 * lower) * farads), rel=1e-5)


def test_flyback_timer_of_common_practice() -> None:
    """10 us high, 40 us low: duty factor 0.2, 20 kHz (common practice, no source)."""
    times = np.arange(5000) * 40e-9
    found = measure_pulses(Waveform(5.0 * pulses(times, 13e-6, 50e-6, 10e-6, 0.3e-6), 40e-9))
    assert found.duty_factor == pytest.approx(0.2, abs=1e-5)
    assert found.frequency == pytest.approx(20e3, rel=1e-6)


def test_ring_that_falls_between_samples_is_flagged_and_in_the_uncertainty() -> None:
    """Four samples a period of the ringing do not show its peak: caution, and a wide uncertainty."""
    zeta, natural, hold = 0.2, 2.0 * np.pi / 4.0, 120.0
    times = np.arange(4.0 * hold)
    volts = sum(
        second_order(times - t, natural, zeta) - second_order(times - t - hold, natural, zeta)
        for t in (0.5 * hold + 0.3, 2.5 * hold + 0.3)
    )
    found = measure_pulses(Waveform(np.asarray(volts), 1.0))
    assert Caution.COARSE in found.cautions
    assert abs(found.overshoot - 0.526621) <= 3.0 * found.uncertainty["overshoot"]


def test_ringing_is_seen_where_a_state_is_one_code_all_along() -> None:
    """A state without noise has no correlated noise: what ringing stands out of is the converter's step."""
    times = np.arange(1200) * 80e-9
    volts = 20.0 * pulses(times, 5e-6, 60e-6, 14e-6, 0.12e-6)
    for begin, sign in ((5.06e-6, 1.0), (19.06e-6, -1.0), (65.06e-6, 1.0), (79.06e-6, -1.0)):
        since = np.maximum(times - begin, 0.0)
        volts += sign * 4.0 * np.exp(-since / 1.5e-6) * np.sin(2.0 * np.pi * 1.2e6 * since)
    codes = np.rint(volts / 0.2 + 60.0).astype(np.uint8)
    found = measure_pulses(Waveform.from_codes(codes, 0.2, -12.0, 80e-9))
    assert found.overshoot == pytest.approx(0.166, abs=0.03)
