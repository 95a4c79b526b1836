"""The statistics behind drift and stability: correlation, counts of a display, lines, Allan deviations."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter

from benchrig.judgement.allan import allan
from benchrig.judgement.errors import SeriesError
from benchrig.judgement.fit import fit_line, solve
from benchrig.judgement.series import (
    autocorrelations,
    checked_series,
    checked_values,
    correlation_inflation,
    grubbs_critical,
    grubbs_outlier,
    lag_autocorrelation,
    quantum,
    step_noise,
)

Floats = NDArray[np.float64]


def white(count: int, seed: int, sigma: float = 1.0) -> Floats:
    return sigma * np.random.default_rng(seed).normal(size=count)


def wander(count: int, phi: float, seed: int) -> Floats:
    """First-order autoregression of unit spread, run in before it is used."""
    drawn = np.random.default_rng(seed).normal(size=count + 2000)
    return np.asarray(lfilter([1.0], [1.0, -phi], drawn)[2000:] * math.sqrt(1.0 - phi**2))


@pytest.mark.parametrize(("phi", "factor"), [(0.0, 1.0), (0.5, 3.0), (0.9, 19.0), (0.99, 199.0)])
def test_inflation_is_that_of_the_process(phi: float, factor: float) -> None:
    """(1 + phi) / (1 - phi), the variance of a mean of a first-order autoregression."""
    found = np.median([correlation_inflation(wander(5000, phi, seed)) for seed in range(40)])
    assert found == pytest.approx(factor, rel=0.25)


def test_inflation_sees_wander_under_white_noise() -> None:
    """A lag-one estimate alone would say 3; the variance of the mean is that of (199 + 1) / 2."""
    mixed = [wander(20_000, 0.99, seed) + white(20_000, seed + 500) for seed in range(10)]
    assert np.median([correlation_inflation(y) for y in mixed]) == pytest.approx(100.0, rel=0.25)


def test_inflation_of_next_to_nothing_is_one() -> None:
    """Too few residuals, or none that differ."""
    assert correlation_inflation(np.array([1.0, -1.0, 1.0]), fitted=2) == 1.0
    assert correlation_inflation(np.zeros(50)) == 1.0
    assert autocorrelations(np.zeros(5)).tolist() == [0.0] * 5


def test_readings_that_go_to_and_fro_count_no_less_than_white_ones() -> None:
    """By hand: 1, -1, 1, -1 has rho_1 = -3/4 about zero; a saving is not taken from it."""
    assert autocorrelations(np.array([1.0, -1.0, 1.0, -1.0])) == pytest.approx([1.0, -0.75, 0.5, -0.25])
    assert correlation_inflation(np.tile([1.0, -1.0], 25)) == 1.0


@pytest.mark.parametrize(("n", "worth"), [(3, 1.0), (4, 3.5), (5, 4.0), (10, 9.0)])
def test_readings_that_do_not_leave_one_side_are_worth_about_one(n: int, worth: float) -> None:
    """By hand, rho_k = 1 - k / n. Three less one fitted say nothing; of four the pair 3/4 + 1/2 counts; phi ends at
    1 - 2 / n, where n readings are worth n / (n - 1).
    """
    assert correlation_inflation(np.ones(n)) == pytest.approx(worth)


def echo(lag: int, size: float) -> Floats:
    """A hundred residuals of which one comes back `lag` readings later: rho is `size` at this lag, 0 at all others."""
    found = np.zeros(100)
    found[30], found[30 + lag] = 1.0, (1.0 - math.sqrt(1.0 - 4.0 * size**2)) / (2.0 * size)
    return found


@pytest.mark.parametrize(
    ("lag", "size", "worth"),
    [
        (1, 0.19, 1.19 / 0.81),  # taken as it is
        (1, 0.21, 1.2263 / 0.7737),  # (1 + 3 * 0.21) / 100 too small
        (2, 0.19, 1.0),
        (2, 0.21, 1.42),
    ],
)
def test_a_correlation_that_white_noise_shows_as_well_is_not_made_more_of(lag: int, size: float, worth: float) -> None:
    """By hand: up to 2 / sqrt(n) = 0.2 (Bartlett 1946) no bias is undone and no sum goes on."""
    assert autocorrelations(echo(lag, size))[lag] == pytest.approx(size)
    assert correlation_inflation(echo(lag, size)) == pytest.approx(worth)


def test_inflation_of_short_series_is_not_too_small() -> None:
    """Kendall 1954: rho_1 of 50 readings of phi = 0.6 is 0.056 low on average; the factor must have it back."""
    series = (wander(50, 0.6, seed) for seed in range(400))
    found = np.array([correlation_inflation(y - y.mean()) for y in series])
    assert np.mean((found - 1.0) / (found + 1.0)) == pytest.approx(0.6, abs=0.03)


@pytest.mark.parametrize(
    ("values", "count"),
    [
        ([3, 3, 2, 2, 3, 3, 2, 2, 3, 3, 3, 3], 1.0),
        ([9, 9, 8, 8, 7, 7, 6, 6, 5, 5, 5, 5, 5, 5, 5, 5, 5, 5, 5, 5], 1.0),
        ([0, 0, 2, 2, 0, 0, 4, 4, 6, 6, 8, 8, 6, 6, 4, 4, 4, 4, 4, 4], 2.0),
        ([3, 3, 2, 2, 3, 3, 2, 2, 2, 2, 2, 2], 0.0),  # three moves are too few to tell
        ([1, 2, 3, 4, 5, 6, 7, 8], 0.0),  # as many values as readings: any line does that
        ([0, 0, 1, 1, 3, 3, 0, 0, 3, 3, 0, 0, 3, 3, 3, 3], 0.0),  # the smallest step came once
        ([0, 0, 1, 1, -0.05, -0.05, 1, 1, -0.05, -0.05, 1, 1, -0.05, -0.05, 1, 1], 0.0),  # 5 % more is another step
        ([1.01, 0, 1, 0, 1, 1, 1, 1, 1, 1, 1, 1], 0.0),  # and so is 1 % more, to the last digit
        ([0, 1, 0, 1, 2, 3, 3, 3, 3, 3, 3, 3, 3, 3, 3, 3], 1.0),
        ([0, 1, 0, 1, 2, 3, 3, 3, 3, 3, 3, 3], 0.0),  # three readings for each value are too few
        ([3] * 16, 0.0),  # no step at all
    ],
)
def test_one_count_of_a_display(values: list[float], count: float) -> None:
    """The smallest step, where a few values and many steps of that size show that there is one."""
    assert quantum(np.array(values, dtype=float)) == count


def test_michelso_autocorrelation() -> None:
    """NIST StRD Michelso, 100 values of the speed of light: certified mean, spread and lag-one autocorrelation."""
    digits = """85 74 90 107 93 85 95 98 98 88 100 98 93 65 76 81 100 100 96 96 96 94 96 94 88 80 85 88 90 84 83 79 81
        88 88 83 80 79 76 80 88 88 88 86 72 72 62 86 97 95 88 91 85 87 84 84 85 84 84 84 89 81 81 82 80 77 76 74 75 76
        91 92 89 86 88 72 84 85 85 78 89 84 78 81 76 81 79 81 82 85 87 87 81 74 81 94 95 80 81 87"""
    y = 299.0 + np.array([float(v) for v in digits.split()]) / 100.0
    assert (y.size, y.mean()) == (100, pytest.approx(299.8524, rel=1e-12))
    assert y.std(ddof=1) == pytest.approx(0.0790105478190518, rel=1e-12)
    assert lag_autocorrelation(y) == pytest.approx(0.535199668621283, rel=1e-9)
    assert lag_autocorrelation(np.full(9, 3.0)) == 0.0


def test_noise_by_neighbours_is_blind_to_drift_and_steps() -> None:
    """White noise of 0.1 on a slope, with three steps of a hundred times that."""
    y = white(5000, 3, 0.1) + 0.01 * np.arange(5000) + 10.0 * (np.arange(5000) // 1500)
    assert step_noise(y) == pytest.approx(0.1, rel=0.03)


def test_gum_thermometer_line() -> None:
    """GUM H.3: calibration line about 20 degC; intercept, slope, uncertainties and correlation, and b(30 degC)."""
    t = "21.521 22.012 22.512 23.003 23.507 23.999 24.513 25.002 25.503 26.010 26.511"
    b = "-.171 -.169 -.166 -.159 -.164 -.165 -.156 -.157 -.159 -.161 -.160"
    line = fit_line([float(v) - 20.0 for v in t.split()], [float(v) for v in b.split()])
    assert (line.intercept.value, line.intercept.uncertainty) == (
        pytest.approx(-0.1712, abs=5e-5),
        pytest.approx(0.0029, abs=5e-5),
    )
    assert (line.slope.value, line.slope.uncertainty) == (
        pytest.approx(0.00218, abs=5e-6),
        pytest.approx(0.00067, abs=5e-6),
    )
    assert line.correlation == pytest.approx(-0.930, abs=5e-4)
    assert line.spread == pytest.approx(0.0035, abs=5e-5)
    at_30 = line.at(10.0)
    assert (at_30.value, at_30.uncertainty, at_30.dof) == (
        pytest.approx(-0.1494, abs=5e-5),
        pytest.approx(0.0041, abs=5e-5),
        9,
    )


def test_a_line_through_exact_points_has_no_uncertainty() -> None:
    line = fit_line([0.0, 1.0, 2.0], [1.0, 1.0, 1.0])
    assert (line.slope.value, line.at(5.0).value) == (pytest.approx(0.0, abs=1e-15), pytest.approx(1.0))
    assert (line.slope.uncertainty, line.at(5.0).uncertainty, line.correlation) == pytest.approx(
        (0.0, 0.0, 0.0), abs=1e-15
    )


@pytest.mark.parametrize(("x", "y"), [([1.0, 1.0, 1.0], [1.0, 2.0, 3.0]), ([1.0, 2.0, 3.0], [1.0, 2.0, 3.0, 4.0])])
def test_points_that_make_no_line_are_refused(x: list[float], y: list[float]) -> None:
    with pytest.raises(SeriesError, match=f"3 by {len(y)} points"):
        fit_line(x, y)


def test_one_or_two_points_make_no_line_with_an_uncertainty() -> None:
    with pytest.raises(SeriesError, match="1 by 1 points"):
        fit_line([1.0], [1.0])
    with pytest.raises(SeriesError, match="2 readings cannot carry 2 parameters"):
        fit_line([1.0, 2.0], [1.0, 2.0])


def test_more_parameters_than_readings_are_refused() -> None:
    with pytest.raises(SeriesError, match="3 readings cannot carry 3 parameters"):
        solve(np.eye(3), np.ones(3))


def test_a_column_of_zeros_takes_no_part() -> None:
    """As a very slow approach has it: nothing is divided by nothing, and the other columns are fitted as without."""
    found = solve(np.column_stack((np.ones(4), np.zeros(4))), np.array([1.0, 2.0, 3.0, 4.0]))
    assert found.coefficients.tolist() == pytest.approx([2.5, 0.0])
    assert found.uncertainty(1) == 0.0


def test_two_readings_hold_no_outlier() -> None:
    with pytest.raises(SeriesError, match="2 readings"):
        grubbs_critical(2)
    with pytest.raises(SeriesError, match="2 readings"):
        grubbs_outlier([1.0, 1.0])


def test_one_of_five_that_differs_is_an_outlier() -> None:
    """By hand: G is (n - 1) / sqrt(n) = 1.789, with n - 1 in the spread; the table has 1.715."""
    assert grubbs_outlier([0.0, 0.0, 1.0, 0.0, 0.0]) == 2


def test_one_reading_is_a_series_and_none_is_not() -> None:
    assert [column.tolist() for column in checked_series([0.0], [5.0])] == [[0.0], [5.0]]
    assert checked_values([5.0]).tolist() == [5.0]
    with pytest.raises(SeriesError, match="0 readings"):
        checked_series([], [])
    with pytest.raises(SeriesError, match="0 readings"):
        checked_values([])
    with pytest.raises(SeriesError, match="2 times for 1 readings"):
        checked_series([0.0, 1.0], [5.0])


def test_the_largest_reading_is_taken_and_the_next_double_is_refused() -> None:
    """1e100 either way; the first one beyond it is told."""
    assert checked_values([1e100, -1e100]).tolist() == [1e100, -1e100]
    for beyond in (math.nextafter(1e100, math.inf), -math.nextafter(1e100, math.inf)):
        with pytest.raises(SeriesError, match=re.escape(f"A reading is {beyond}, beyond 1e+100")):
            checked_values([1.0, beyond, 2e100])


def test_allan_of_white_noise_falls_with_the_root_of_time() -> None:
    """NIST SP 1065, 5.2: white noise, deviation sigma / sqrt(m), in every kind that has that expectation."""
    points = allan(white(200_000, 5), interval=0.1)
    assert [p.tau for p in points[:3]] == pytest.approx([0.1, 0.2, 0.4])
    for point in points[:12]:
        assert point.deviation == pytest.approx(1.0 / math.sqrt(point.tau / 0.1), rel=0.15)


def test_hadamard_is_blind_to_linear_drift() -> None:
    """NIST SP 1065, 5.2.9: the third difference of the phase takes a linear drift out; the Allan deviation does not."""
    line = np.arange(1000.0)
    assert allan(line, factors=[10], kind="ohdev")[0].deviation == pytest.approx(0.0, abs=1e-6)
    assert allan(line, factors=[10], kind="oadev")[0].deviation == pytest.approx(10.0 / math.sqrt(2.0))


def test_averaging_times_longer_than_the_record_are_left_out() -> None:
    """Ten readings hold no difference of two averages of eight, in any kind."""
    for kind in ("adev", "oadev", "mdev", "hdev", "ohdev", "tdev"):
        assert [p.tau for p in allan(np.arange(10.0), factors=[1, 8, 100], kind=kind)] == [1.0]
