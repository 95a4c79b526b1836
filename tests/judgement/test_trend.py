"""What a watched series does, told apart: each kind is found, none passes for another, and wander is none of them."""

from __future__ import annotations

import math
import os
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import curve_fit
from scipy.signal import lfilter
from scipy.stats import linregress, norm
from scipy.stats import t as scipy_t

import benchrig.judgement as package
from benchrig.judgement.errors import SeriesError
from benchrig.judgement.series import (
    quantum,
)
from benchrig.judgement.trend import MOST_STEPS, drift, find_excursions
from benchrig.judgement.uncertainty import coverage_factor

Floats = NDArray[np.float64]


def white(count: int, seed: int, sigma: float = 1.0) -> Floats:
    return sigma * np.random.default_rng(seed).normal(size=count)


def wander(count: int, phi: float, seed: int) -> Floats:
    """First-order autoregression of unit spread, run in before it is used."""
    drawn = np.random.default_rng(seed).normal(size=count + 2000)
    return np.asarray(lfilter([1.0], [1.0, -phi], drawn)[2000:] * math.sqrt(1.0 - phi**2))


def coverage(series: list[Floats], slope: float = 0.0) -> float:
    """Share of series whose true slope lies within two standard uncertainties."""
    found = [drift(np.arange(float(y.size)), y + slope * np.arange(y.size)) for y in series]
    return sum(abs(d.slope - slope) <= 2.0 * d.slope_uncertainty for d in found) / len(found)


SERIES = 120 if os.environ.get("BENCHRIG_HEAVY") == "1" else 40
LEAST = 0.954 - 3.0 * math.sqrt(0.954 * 0.046 / SERIES)  # a share that chance hardly ever goes below


@pytest.mark.parametrize("slope", [0.0, 1e-3])
def test_slope_uncertainty_holds_for_white_noise(slope: float) -> None:
    """Two standard uncertainties hold the true slope in 95 of 100 series."""
    assert coverage([white(500, seed) for seed in range(SERIES)], slope) >= LEAST


@pytest.mark.parametrize("phi", [0.5, 0.9])
def test_slope_uncertainty_holds_where_readings_hang_together(phi: float) -> None:
    """First-order autoregression: without the inflation only 75 % (phi = 0.5) and 35 % (0.9) would lie inside."""
    assert coverage([wander(1500, phi, seed) for seed in range(SERIES)]) >= LEAST


def test_slope_agrees_with_scipy_where_nothing_else_happens() -> None:
    """scipy.stats.linregress, an independent fit, with the same standard error for white noise."""
    t, y = 0.5 * np.arange(300.0), 3.0 + 0.01 * np.arange(300.0) + white(300, 4, 0.1)
    found, expected = drift(t, y), linregress(t, y)
    assert found.slope == pytest.approx(expected.slope, rel=1e-9)
    assert found.slope_uncertainty == pytest.approx(expected.stderr * math.sqrt(found.inflation), rel=1e-9)
    assert found.dof == pytest.approx(298 / found.inflation)


def test_readings_that_hang_together_are_worth_fewer_degrees_of_freedom() -> None:
    """Those of scipy's line over the inflation, and never less than one."""
    found = drift(np.arange(300.0), wander(300, 0.8, 1))
    assert (found.steps, found.warm_up_tau, found.warm_up_tau_uncertainty) == ((), None, None)
    assert found.inflation > 3.0
    assert found.dof == pytest.approx(298.0 / found.inflation)
    assert drift([0.0, 1.0, 2.0], [5.0, 5.2, 5.1]).dof == 1.0


def test_a_warm_up_among_wander_is_as_doubtful_as_a_free_fit_says() -> None:
    """scipy.optimize.curve_fit with all four parameters free; its uncertainties are those of readings on their own."""
    t = np.arange(600.0)
    y = 5.0 + 0.001 * t - 3.0 * np.exp(-t / 80.0) + 0.05 * wander(600, 0.7, 2)

    def course(t: Floats, level: float, slope: float, size: float, tau: float) -> Floats:
        return np.asarray(level + slope * t + size * np.exp(-t / tau))

    found = drift(t, y)
    fitted, covariance = curve_fit(course, t, y, (5.0, 0.0, -3.0, 80.0))
    uncertainties = np.sqrt(np.diag(covariance) * found.inflation)
    assert found.inflation > 2.0
    assert (found.slope, found.warm_up_size, found.warm_up_tau) == pytest.approx(tuple(fitted[1:]), rel=1e-4)
    assert (found.slope_uncertainty, found.warm_up_tau_uncertainty) == pytest.approx(
        (uncertainties[1], uncertainties[3]), rel=1e-3
    )


def test_events_in_white_noise_are_as_rare_as_promised() -> None:
    """About one series in a hundred for each kind: at most 6 of 150 by chance (binomial, 0.1 %)."""
    found = [drift(np.arange(400.0), white(400, seed)) for seed in range(150)]
    assert sum(bool(d.steps) for d in found) <= 6
    assert sum(bool(d.excursions) for d in found) <= 6
    assert sum(d.warm_up_tau is not None for d in found) <= 6


def test_wander_is_not_cut_into_steps() -> None:
    """Wander of 100 readings' memory under white noise of the same size: a greedy search alone finds steps in each."""
    found = [drift(np.arange(2000.0), wander(2000, 0.99, seed) + white(2000, seed + 1000)) for seed in range(20)]
    assert sum(bool(d.steps) for d in found) <= 3


def test_a_bend_of_wander_is_no_warm_up() -> None:
    """In this one a warm-up and many steps seem sure against white noise; against what is left none of them is."""
    found = drift(np.arange(400.0), wander(400, 0.95, 4))
    assert (found.steps, found.warm_up_tau) == ((), None)


def test_a_step_stands_out_from_wander() -> None:
    """Ten spreads among wander: found once, and the wander is left alone."""
    y = wander(2000, 0.99, 3) + white(2000, 1003) + 10.0 * (np.arange(2000) >= 1200)
    assert drift(np.arange(2000.0), y).steps == pytest.approx([1200.0], abs=2.0)


def test_everything_at_once() -> None:
    """Warm-up, two steps, three excursions and a drift in one record: each where it is and as large as it is."""
    t = 10.0 * np.arange(3000.0)
    y = 9400.0 - 100.0 * np.exp(-t / 3000.0) + 1e-3 * t + white(3000, 8, 1.0)
    y[1000:] += 20.0
    y[2000:] -= 8.0
    for i in (500, 1501, 2600):
        y[i] -= 50.0
    found = drift(t, y)
    assert found.steps == (10_000.0, 20_000.0)
    assert found.step_sizes == pytest.approx([20.0, -8.0], abs=0.6)
    assert [e.start for e in found.excursions] == [5000.0, 15_010.0, 26_000.0]
    assert found.warm_up_tau == pytest.approx(3000.0, abs=4.0 * (found.warm_up_tau_uncertainty or 0.0))
    assert found.warm_up_size == pytest.approx(-100.0, abs=3.0)
    assert found.slope == pytest.approx(1e-3, abs=4.0 * found.slope_uncertainty)
    assert found.noise == pytest.approx(1.0, rel=0.1)
    assert found.drifting


def test_step_while_warming_up_is_told_from_it() -> None:
    """The step comes before the warm-up is over; neither term may stand in for the other."""
    t = np.arange(1500.0)
    found = drift(t, -100.0 * np.exp(-t / 300.0) + 10.0 * (t >= 400.0) + white(1500, 2))
    assert found.steps == pytest.approx([400.0], abs=1.0)
    assert found.warm_up_tau == pytest.approx(300.0, rel=0.03)


def test_one_time_constant_of_warm_up_claims_no_drift() -> None:
    """After 300 s of tau = 300 s a line reads +0.25 mV/s, a hundred times its standard error; the bend is seen."""
    t = np.arange(300.0)
    y = 5.8 - 0.12 * np.exp(-t / 300.0) + white(300, 5, 0.002)
    straight = linregress(t, y)
    assert straight.slope / straight.stderr > 50.0
    found = drift(t, y)
    assert not found.drifting
    assert found.warm_up_tau == pytest.approx(300.0, abs=3.0 * (found.warm_up_tau_uncertainty or 0.0))


@pytest.mark.parametrize("level", [0.0, 5.0, -12.0, 1e6])
def test_series_without_noise(level: float) -> None:
    """A constant, a perfect line, a perfect step and a lone spike: no division by nothing, no false certainty."""
    t = np.arange(200.0)
    flat = drift(t, np.full(200, level))
    assert (flat.slope, flat.steps, flat.excursions, flat.warm_up_tau, flat.drifting) == (0.0, (), (), None, False)
    assert drift(t, level + 0.5 * t).slope == pytest.approx(0.5)
    stepped = drift(t, level + 1.0 * (t >= 80.0))
    assert (stepped.steps, stepped.drifting) == ((80.0,), False)
    assert stepped.step_sizes == pytest.approx([1.0])
    spiked = drift(t, level + 1.0 * (t == 80.0))
    assert ([e.start for e in spiked.excursions], spiked.steps) == ([80.0], ())


def test_counts_of_a_display_are_no_excursions() -> None:
    """A display that toggles between counts now and then; without knowing its count it is seen in the data."""
    y = np.round(5.0 + 0.0025 * np.random.default_rng(6).normal(size=2000), 2)
    assert quantum(y) == pytest.approx(0.01)
    assert drift(np.arange(2000.0), y).excursions == ()
    assert quantum(np.random.default_rng(6).normal(size=100)) == 0.0
    assert quantum(np.array([0.0, 0.0, 1.0, 0.0, 0.0, 0.0])) == 0.0
    assert quantum(np.array([0.0, 0.3, 0.0, 1.0, 0.0, 2.1, 0.0, 0.0] + [0.0] * 20)) == 0.0


@pytest.mark.parametrize("n", [3, 4, 11, 12, 19, 20])
def test_few_readings_give_a_line_and_an_honest_uncertainty(n: int) -> None:
    """From three readings on there is a slope; whatever is too short for an event finds none."""
    found = drift(np.arange(float(n)), 2.0 * np.arange(n) + white(n, 1, 0.01))
    assert found.slope == pytest.approx(2.0, abs=0.05)
    assert (found.steps, found.warm_up_tau) == ((), None)
    assert found.dof >= 1.0


def test_time_may_start_anywhere() -> None:
    """A monotonic clock after a month: the same slope, events at that clock's times."""
    t, y = np.arange(500.0), white(500, 9) + 20.0 * (np.arange(500) >= 300)
    late = drift(t + 2.6e6, y)
    assert late.slope == pytest.approx(drift(t, y).slope, rel=1e-6)
    assert late.steps == (2.6e6 + 300.0,)


def test_stable_means_surely_flatter_than_the_limit() -> None:
    """A flat estimate with a wide uncertainty is not stable yet."""
    t = np.arange(100.0)
    noisy, quiet = drift(t, white(100, 1)), drift(t, white(100, 1, 1e-3))
    assert abs(noisy.slope) < 1e-2
    assert not noisy.below(5e-3)
    assert quiet.below(5e-3)
    assert not drift(t, 0.01 * t + white(100, 1, 1e-3)).below(5e-3)
    assert not quiet.below(quiet.fastest)


def test_a_warm_up_that_still_moves_is_not_stable() -> None:
    """After t it moves by |A| / tau exp(-t / tau), by hand: 0.12 / 300 s * exp(-1) = 0.147 mV/s after one tau."""
    t = np.arange(301.0)
    course = 5.8 - 0.12 * np.exp(-t / 300.0) + white(301, 1, 1e-5)
    found = drift(t, course)
    assert found.warm_up_tau is not None
    assert found.slope + found.warming == pytest.approx(0.12 / 300.0 * np.exp(-1.0), rel=0.1)
    assert found.fastest > 1.3e-4
    assert not found.below(1e-4)
    settled = np.arange(3001.0)
    assert drift(settled, 5.8 - 0.12 * np.exp(-settled / 300.0) + white(3001, 1, 1e-5)).below(1e-6)


def test_time_until_warm() -> None:
    """tau ln(|A| / tolerance) by hand: 300 s * ln(0.12 / 0.012) = 691 s; at once where there is no warm-up."""
    t = np.arange(1800.0)
    found = drift(50.0 + t, 5.8 - 0.12 * np.exp(-t / 300.0) + white(1800, 1, 1e-4))
    assert found.warm_by(0.012) == pytest.approx(50.0 + 691.0, abs=2.0)
    assert found.warm_by(0.5) == 50.0
    assert drift(t, white(1800, 1)).warm_by(0.01) == 0.0


def test_falling_is_judged_as_rising_is_and_at_any_hour() -> None:
    """The same record upside down, and a month later: every sign turns, and nothing that is judged changes."""
    t = np.arange(1000.0)
    y = np.exp(-t / 300.0) + 0.001 * t + 0.3 * (t >= 600.0) + white(1000, 6, 0.01)
    y[800] += 1.0
    found, fallen, late = drift(t, y), drift(t, -y), drift(2.6e6 + t, y)
    assert fallen.slope == pytest.approx(-found.slope, rel=1e-9)
    assert fallen.warming == pytest.approx(-found.warming, rel=1e-6)
    assert fallen.step_sizes == pytest.approx([-size for size in found.step_sizes], rel=1e-6)
    assert [e.size for e in fallen.excursions] == pytest.approx([-e.size for e in found.excursions])
    assert found.warming < -5e-5
    for other in (fallen, late):
        assert other.drifting
        assert other.fastest == pytest.approx(found.fastest, rel=1e-6)
        assert other.warm_by(0.1) - other.start == pytest.approx(found.warm_by(0.1), rel=1e-6)
    assert [e.start for e in late.excursions] == [2.6e6 + 800.0]


@pytest.mark.parametrize(("n", "seen"), [(11, False), (12, True)])
def test_events_are_looked_for_from_twelve_readings_on(n: int, seen: bool) -> None:
    """A level on either side is needed to tell one from the other."""
    t, dip, step = np.arange(float(n)), white(n, 3, 0.01), white(n, 3, 0.01)
    dip[6] -= 1.0
    step[6:] -= 1.0
    assert [e.start for e in drift(t, dip).excursions] == [6.0] * seen
    assert list(drift(t, step).steps) == [6.0] * seen


@pytest.mark.parametrize(("n", "seen"), [(19, False), (20, True)])
def test_a_warm_up_is_looked_for_from_twenty_readings_on(n: int, seen: bool) -> None:
    """Closed form, tau = 4 s."""
    found = drift(np.arange(float(n)), np.exp(-np.arange(n) / 4.0) + white(n, 4, 0.001))
    assert found.warm_up_tau == (pytest.approx(4.0, rel=0.02) if seen else None)


@pytest.mark.parametrize(("tau", "told"), [(1.0, 2.0 * 59 / 58), (2.2, 2.2), (170.0, 170.0), (500.0, 3.0 * 59)])
def test_a_time_constant_is_looked_for_from_two_readings_to_three_times_the_record(tau: float, told: float) -> None:
    """Beyond that the nearest is told. Of the fastest the first reading passes for an excursion: 58 paces are left."""
    t = np.arange(60.0)
    found = drift(t, np.exp(-t / tau) + white(60, 1, 1e-7))
    assert found.warm_up_tau == pytest.approx(told, rel=1e-3 if tau == 170.0 else 1e-6)


@pytest.mark.parametrize("slope", [0.0, 0.02])
@pytest.mark.parametrize("at", [0, 199])
def test_a_wild_reading_at_either_end_is_no_step(at: int, slope: float) -> None:
    """Nobody saw it go and come back, but one reading is no new level, on a level or on a slope."""
    y = white(200, 5, 0.01) + slope * np.arange(200)
    y[at] -= 1.0
    found = drift(np.arange(200.0), y)
    assert found.steps == ()
    assert [(e.start, e.readings) for e in found.excursions] == [(at, 1)]
    assert found.slope == pytest.approx(slope, abs=5e-5)


@pytest.mark.parametrize(("readings", "steps"), [(1, ()), (5, ()), (6, (100.0, 106.0))])
def test_what_is_back_after_five_readings_was_an_excursion(readings: int, steps: tuple[float, ...]) -> None:
    """What stays longer is two steps."""
    y = white(200, 5, 0.01)
    y[100 : 100 + readings] -= 1.0
    found = drift(np.arange(200.0), y)
    assert found.steps == steps
    assert [(e.start, e.stop, e.readings) for e in found.excursions] == (
        [] if steps else [(100.0, 99.0 + readings, readings)]
    )


def test_an_excursion_is_as_large_as_its_farthest_reading() -> None:
    """Down by 1, 3 and 2 V: the size is that of the second, with its sign."""
    y = white(200, 5, 0.01)
    y[100:103] -= (1.0, 3.0, 2.0)
    [dip] = drift(np.arange(200.0), y).excursions
    assert (dip.start, dip.stop) == (100.0, 102.0)
    assert dip.size == pytest.approx(-3.0, abs=0.05)


def test_a_trip_of_more_than_five_readings_is_no_excursion_whatever_its_course() -> None:
    """Four readings up and four down at once: eight away, though their median is the level."""
    y = white(200, 5, 0.01)
    y[100:104] += 1.0
    y[104:108] -= 1.0
    assert drift(np.arange(200.0), y).excursions == ()


def test_excursions_in_noise_are_no_more_than_one_series_in_a_hundred_has() -> None:
    """The expectation itself, of 600 series."""
    seen = sum(bool(find_excursions(np.arange(400.0), white(400, seed))[0]) for seed in range(600))
    assert 0 < seen <= 6


@pytest.mark.parametrize("steps", [(6,), (7,), (194,), (193,), (6, 194), (100, 106), (100, 106, 112)])
def test_steps_are_told_apart_from_six_readings_on(steps: tuple[int, ...]) -> None:
    """From an end of the record and from each other: one more than the longest excursion."""
    y = white(200, 5, 0.01)
    for at in steps:
        y[at:] += 1.0
    found = drift(np.arange(200.0), y)
    assert found.steps == tuple(map(float, steps))
    assert found.step_sizes == pytest.approx([1.0] * len(steps), abs=0.05)


@pytest.mark.parametrize("steps", [(196,), (195,), (5,), (100, 103, 106, 109), (100, 105)])
def test_steps_nearer_than_six_readings_are_told_where_they_could_be(steps: tuple[int, ...]) -> None:
    """In so few readings nobody can tell a new level from a trip: no step has fewer than six on either side."""
    y = white(200, 5, 0.01)
    for at in steps:
        y[at:] += 1.0
    found = drift(np.arange(200.0), y).steps
    assert found
    assert min(np.diff((0.0, *found, 200.0))) >= 6.0


def sureness_of_the_best_step(y: Floats) -> float:
    """The largest |t| of one step beside a straight line, at any place of at least six readings from the ends."""
    n, t = y.size, np.arange(float(y.size))

    def sureness(at: int) -> float:
        columns = np.column_stack((np.ones(n), t, t >= at))
        coefficients, squares, _, _ = np.linalg.lstsq(columns, y, rcond=None)
        return float(abs(coefficients[2]) / math.sqrt(squares[0] / (n - 3) * np.linalg.inv(columns.T @ columns)[2, 2]))

    return max(sureness(at) for at in range(6, n - 5))


@pytest.mark.parametrize(("n", "start", "stop"), [(90, 45, 90), (90, 60, 75), (90, 10, 25), (90, 70, 80)])
def test_a_step_is_as_sure_as_a_normal_deviate_that_one_series_in_a_hundred_has(n: int, start: int, stop: int) -> None:
    """Textbook t of a regression (by numpy) against scipy's normal distribution at 1 - 0.01 / 2n: one look a reading.

    Readings go to and fro by 1, so that nothing hangs together. A lasting change is kept from there on; a trip up and
    down again is found from there on as well: its better half is taken in by itself, and then both are beyond doubt.
    """
    noise, t = np.resize([1.0, -1.0], n), np.arange(float(n))
    trip = ((t >= start) & (t < stop)).astype(float)
    low, high = 0.0, 10.0
    for _ in range(25):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if drift(t, noise + middle * trip).steps else (middle, high)
    expected = float(norm.ppf(1.0 - 0.01 / (2.0 * n)))
    assert sureness_of_the_best_step(noise + high * trip) == pytest.approx(expected, rel=1e-5)


def abruptness_of_a_step(y: Floats, at: int) -> float:
    """The step's change of the mean over the median deviation of such changes all along, in the best of the windows.

    By plain means of 6, 12, .. readings before and after each place, up to a sixteenth of the record.
    """
    t = np.arange(float(y.size))
    columns = np.column_stack((np.ones(y.size), t, t >= at))
    level = y - columns[:, :2] @ np.linalg.lstsq(columns, y, rcond=None)[0][:2]
    found = []
    for window in (w for w in (6, 12, 24) if 16 * w <= y.size):
        means = np.convolve(level, np.ones(window) / window, "valid")
        change = means[window:] - means[:-window]
        spread = np.median(np.abs(change - np.median(change))) / norm.ppf(0.75)
        found.append(abs(change[np.clip(at - window, 0, change.size - 1)]) / spread)
    return float(max(found))


@pytest.mark.parametrize(
    ("n", "at", "phi", "seed"),
    [
        (96, 40, 0.8, 10), (96, 6, 0.3, 7), (96, 90, 0.6, 1), (191, 90, 0.6, 0), (192, 90, 0.6, 1), (192, 186, 0.3, 10),
        (384, 10, 0.3, 4), (384, 200, 0.6, 3), (384, 200, 0.8, 1),
    ],
)  # fmt: skip
def test_among_wander_a_step_is_as_abrupt_as_three_quarters_of_what_makes_it_sure(
    n: int, at: int, phi: float, seed: int
) -> None:
    """In these the t of the regression is beyond doubt, and what decides is how the step stands out around it."""
    noise, step, t = wander(n, phi, seed), (np.arange(n) >= at).astype(float), np.arange(float(n))
    low, high = 0.0, 10.0
    for _ in range(25):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if drift(t, noise + middle * step).steps else (middle, high)
    expected = 0.75 * float(norm.ppf(1.0 - 0.01 / (2.0 * n)))
    assert abruptness_of_a_step(noise + high * step, at) == pytest.approx(expected, rel=1e-5)


def test_a_perfect_step_is_found_wherever_it_is() -> None:
    """Nothing is left beside it but rounding, of either sign."""
    for n in range(12, 40):
        assert drift(np.arange(float(n)), 1.0 * (np.arange(n) >= 6)).steps == (6.0,)


def test_no_more_steps_are_told_than_the_most() -> None:
    """Of twenty-one that all stand far out the least is left over."""
    sizes = np.append(np.resize([100.0, 100.0, -100.0], 20), 10.0)
    y = np.repeat(np.cumsum(np.append(0.0, sizes)), 40) + white(880, 5, 0.5)
    assert drift(np.arange(880.0), y).steps == tuple(40.0 * np.arange(1, 21))
    assert len(drift(np.arange(800.0), y[80:]).steps) == 19


def test_more_levels_than_the_most_steps_are_wander() -> None:
    """Thirty levels of fifty readings: the search ends, and what it left over makes the slope as doubtful as it is."""
    levels = np.cumsum(np.random.default_rng(7).uniform(1.0, 3.0, size=30) ** 3)
    found = drift(np.arange(1500.0), np.repeat(levels, 50) + white(1500, 5, 0.01))
    assert len(found.steps) <= MOST_STEPS
    assert found.inflation > 50.0
    assert found.slope == pytest.approx((levels[-1] - levels[0]) / 1450.0, abs=3.0 * found.slope_uncertainty)


def test_two_readings_have_no_trend() -> None:
    """A line through two points has no uncertainty, which would be a lie."""
    with pytest.raises(SeriesError, match="at least 3"):
        drift([0.0, 1.0], [5.0, 5.1])


@pytest.mark.parametrize("pace", [1e-4, 1e4])
def test_the_pace_of_the_readings_changes_nothing_but_the_unit_of_time(pace: float) -> None:
    """Ten thousand readings a second, or eight a day: slope and time constant follow, sizes stay."""
    t = np.arange(600.0)
    y = np.exp(-t / 40.0) + 0.001 * t + 0.3 * (t >= 400.0) + white(600, 6, 0.01)
    found, paced = drift(t, y), drift(pace * t, y)
    assert found.warm_up_tau == pytest.approx(40.0, rel=0.1)
    assert found.warm_up_tau is not None
    assert paced.warm_up_tau == pytest.approx(pace * found.warm_up_tau, rel=1e-5)
    assert paced.slope == pytest.approx(found.slope / pace, rel=1e-5)
    assert paced.steps == (pytest.approx(400.0 * pace),)
    assert paced.step_sizes == pytest.approx(found.step_sizes, rel=1e-5)


@pytest.mark.parametrize("at", [300, 1000, 1700])
def test_a_step_smaller_than_the_noise_is_found_in_enough_readings(at: int) -> None:
    """0.7 spreads in the mean of hundreds is far beyond chance, and against its surroundings it stands out as well."""
    found = [drift(np.arange(2000.0), white(2000, seed) + 0.7 * (np.arange(2000) >= at)) for seed in range(10)]
    assert sum(len(d.steps) == 1 and abs(d.steps[0] - at) < 60.0 for d in found) >= 9


def test_a_slope_of_just_what_chance_gives_is_no_drift_yet() -> None:
    """k = 2 for 95.45 % with endless degrees of freedom (GUM, table G.2): the next double is beyond it."""
    limit = coverage_factor() * 0.5
    still = replace(drift(np.arange(20.0), np.zeros(20)), slope=-limit, slope_uncertainty=0.5, dof=math.inf)
    assert not still.drifting
    assert replace(still, slope=math.nextafter(-limit, -math.inf)).drifting


def test_a_warm_up_within_its_tolerance_is_over_at_once() -> None:
    """tau ln(|A| / tolerance) by hand, which is 0 where they are equal and never less: 10 s * ln 2 = 6.93 s."""
    found = replace(drift(np.arange(20.0), np.zeros(20)), warm_up_tau=10.0, warm_up_size=-0.5)
    assert [found.warm_by(tolerance) for tolerance in (0.5, 0.6, 10.0)] == [0.0, 0.0, 0.0]
    assert found.warm_by(0.25) == pytest.approx(6.931, abs=1e-3)


@pytest.mark.parametrize("level", [5.0, -5.0])
def test_a_perfect_series_has_the_uncertainty_of_its_doubles(level: float) -> None:
    """Four of the last places of a double (IEEE 754: 2^-52 of the value) over the record."""
    found = drift(np.arange(200.0), np.full(200, level))
    assert found.slope_uncertainty == pytest.approx(4.0 * 2.0**-52 * 5.0 / 199.0, rel=1e-12, abs=0.0)
    assert drift(np.arange(200.0), np.zeros(200)).slope_uncertainty == pytest.approx(1e-150 / 199.0, rel=1e-12, abs=0.0)


def test_the_record_ends_with_its_last_reading_also_where_that_is_wild() -> None:
    y = white(200, 5, 0.01)
    y[[0, 199]] += 1.0
    found = drift(5.0 + np.arange(200.0), y)
    assert (found.start, found.stop) == (5.0, 204.0)


def deepest_that_is_no_excursion(y: Floats, at: int) -> float:
    """By bisection of how far down one reading is."""
    low, high = 0.0, 100.0
    for _ in range(30):
        middle = 0.5 * (low + high)
        y[at] = -middle
        seen = bool(find_excursions(np.arange(float(y.size)), y)[0])
        low, high = (low, middle) if seen else (middle, high)
    return low


@pytest.mark.parametrize(
    ("pattern", "deviation"),
    [([1, 0, -1], 1.0), ([0, -2, 2, 0, 1, 0, -2, 0, -1, 0, 2], 2.0)],
    ids=["two in three off the median", "six in eleven off the median"],
)
def test_an_excursion_is_beyond_what_student_gives_one_series_in_a_hundred(
    pattern: list[float], deviation: float
) -> None:
    """scipy's Student at 1 - 0.01 / 2n, by hand: the running median is 0 throughout, and the median deviation of the
    readings that are not the median itself is one (or two) whatever the dip. A median deviation is worth 0.37 of the
    readings as degrees of freedom (its efficiency: any table of robust statistics).
    """
    y = np.resize(np.array(pattern, dtype=float), 66 * 3)
    far = float(scipy_t.ppf(1.0 - 0.01 / (2.0 * y.size), math.floor(0.37 * y.size)))
    lowest = int(np.flatnonzero(y == y.min())[20])
    limit = far * deviation / float(norm.ppf(0.75))
    assert deepest_that_is_no_excursion(y, lowest) == pytest.approx(limit, rel=1e-6)


@pytest.mark.parametrize(("at", "seen"), [(12, True), (10, False)])
def test_where_half_the_readings_are_the_level_itself_they_count_as_quiet(at: int, seen: bool) -> None:
    """A display of two counts with a dip of six, by hand. With the dip at 12, twelve of the 24 readings are the running
    median itself: the median deviation is that of all, half a count, and the dip is beyond 5.6 of its spreads. At 10 it
    leaves thirteen that are not, and their own median deviation is two counts.
    """
    y = np.repeat([0.0, 1.0, 0.0, 1.0, 0.0, 1.0], [8, 2, 4, 4, 4, 2])
    y[at] = -6.0
    assert [e.start for e in drift(np.arange(24.0), y).excursions] == [float(at)] * seen


def test_the_package_offers_the_public_names_and_no_others() -> None:
    """Drift is fetched when asked for; a name that is not there says so."""
    assert package.drift is drift
    for name in ("drfit", "MOST_STEPS"):
        with pytest.raises(AttributeError, match=f"'benchrig.judgement' has no attribute '{name}'"):
            getattr(package, name)


def test_a_verdict_does_not_wait_for_numpy() -> None:
    """In a process of its own, as a command is."""
    asked = "import sys, benchrig.judgement as j; j.judge(1.0, 0.1, (0.0, 2.0)); sys.exit('numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", asked], check=False).returncode == 0
