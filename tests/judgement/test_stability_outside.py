"""Drift, fits and stability against certified data sets and published tables. The source stands beside each check."""

from pathlib import Path

import numpy as np
import pytest
import scipy.stats

from benchrig.judgement.allan import allan
from benchrig.judgement.errors import SeriesError
from benchrig.judgement.fit import fit_line, fit_rate, search_rate
from benchrig.judgement.series import grubbs_critical, grubbs_outlier, lag_autocorrelation, robust_spread
from benchrig.judgement.trend import drift
from benchrig.judgement.uncertainty import type_a

STRD = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_linregress" / "Norris.dat"


# Straight lines and exponential approaches: NIST Statistical Reference Datasets (StRD), certified values.


@pytest.mark.skipif(not STRD.exists(), reason="this scipy ships no test data")
def test_norris_line():
    """NIST StRD Norris, linear regression, lower level of difficulty; data as scipy ships them."""
    y, x = np.loadtxt(STRD, skiprows=60).T
    line = fit_line(x, y)
    assert line.intercept.value == pytest.approx(-0.262323073774029, rel=1e-10)
    assert line.intercept.uncertainty == pytest.approx(0.232818234301152, rel=1e-10)
    assert line.slope.value == pytest.approx(1.00211681802045, rel=1e-12)
    assert line.slope.uncertainty == pytest.approx(0.429796848199937e-03, rel=1e-10)
    assert line.spread == pytest.approx(0.884796396144373, rel=1e-10)


def approach(x):
    """The column of y = b1 (1 - exp(-b2 x))."""
    return lambda rate: (1.0 - np.exp(-rate * x))[:, np.newaxis]


def test_misra1a_exponential_approach():
    """NIST StRD Misra1a, nonlinear regression, lower level of difficulty: the shape of a warm-up."""
    x = np.array([77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0])
    y = np.array([10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78])
    found = fit_rate(approach(x), y, 1e-5, 1e-1)
    assert found.rate.value == pytest.approx(5.5015643181e-04, rel=1e-6)
    assert found.rate.uncertainty == pytest.approx(7.2668688436e-06, rel=1e-3)
    assert found.linear[0].value == pytest.approx(238.94212918, rel=1e-6)
    assert found.linear[0].uncertainty == pytest.approx(2.7070075241, rel=1e-3)
    assert found.spread == pytest.approx(0.10187876330, rel=1e-6)


def test_boxbod_exponential_approach():
    """NIST StRD BoxBOD, higher level of difficulty."""
    x = np.array([1.0, 2.0, 3.0, 5.0, 7.0, 10.0])
    y = np.array([109.0, 149.0, 149.0, 191.0, 213.0, 224.0])
    found = fit_rate(approach(x), y, 1e-3, 1e1)
    assert found.rate.value == pytest.approx(0.54723748542, rel=1e-5)
    assert found.rate.uncertainty == pytest.approx(0.10455993237, rel=1e-2)
    assert found.linear[0].value == pytest.approx(213.80940889, rel=1e-5)
    assert found.spread == pytest.approx(17.088072423, rel=1e-6)


def test_three_readings_carry_a_rate():
    """Closed form, 5 (1 - exp(-x / 2)): two parameters and one degree of freedom."""
    x = np.array([1.0, 2.0, 4.0])
    found = fit_rate(approach(x), 5.0 * (1.0 - np.exp(-0.5 * x)), 1e-2, 1e1)
    assert (found.rate.value, found.linear[0].value) == pytest.approx((0.5, 5.0), rel=1e-6)
    assert found.rate.dof == 1


@pytest.mark.parametrize(("cost", "best"), [(lambda rate: rate, 1.0), (lambda rate: -rate, 100.0)])
def test_a_least_cost_at_the_edge_is_found_there(cost, best):
    assert search_rate(cost, 1.0, 100.0) == pytest.approx(best, rel=1e-6)


def test_of_rates_that_are_as_good_the_slowest_is_told():
    assert search_rate(lambda rate: 0.0, 1.0, 100.0) == pytest.approx(1.0, rel=1e-6)


def test_a_second_dip_near_the_least_does_not_draw_the_search():
    """The grid has decided: what is searched finely lies between the neighbours of its best point."""

    def dip(rate, at):
        return -np.exp(-((np.log(rate / at) / 0.12) ** 2))

    assert search_rate(lambda rate: dip(rate, 10.0) + 0.7 * dip(rate, 6.4), 1.0, 100.0) == pytest.approx(10.0, rel=1e-2)
    assert search_rate(lambda rate: dip(rate, 10.0) + 0.7 * dip(rate, 15.7), 1.0, 100.0) == pytest.approx(
        10.0, rel=1e-2
    )


@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_only_rates_beside_the_best_of_the_grid_are_asked_again(side):
    """Forty rates, here the powers of two: the best is 2^20 with a crooked dip 0.7 beside it."""
    asked = []

    def cost(rate):
        asked.append(np.log2(rate))
        away = side * (asked[-1] - 20.0) - 0.7
        return max(-away, 3.0 * away)

    assert np.log2(search_rate(cost, 1.0, 2.0**39)) == pytest.approx(20.0 + 0.7 * side, abs=1e-6)
    assert asked[:40] == pytest.approx(range(40))
    assert min(asked[40:]) > 19.0
    assert max(asked[40:]) < 21.0


# Means and correlation: NIST StRD univariate sets.

MAVRO = 2.0 + 1e-5 * np.array(
    [180, 170, 180, 190, 180, 170, 150, 140, 150, 150, 170, 180, 180, 190, 190, 210, 200, 160, 140, 130, 130, 150,
     150, 160, 150, 140, 130, 140, 150, 140, 150, 160, 150, 160, 190, 200, 200, 210, 220, 230, 240, 250, 270, 260,
     260, 260, 270, 260, 250, 240]
)  # fmt: skip


@pytest.mark.parametrize(
    ("values", "mean", "spread", "correlation"),
    [
        ([10000001, 10000003, 10000002], 10000002.0, 1.0, -0.5),  # NumAcc1
        ([1000000.2] + [1000000.1, 1000000.3] * 500, 1000000.2, 0.1, -0.999),  # NumAcc3
        ([10000000.2] + [10000000.1, 10000000.3] * 500, 10000000.2, 0.1, -0.999),  # NumAcc4
        (MAVRO, 2.001856, 0.000429123454003053, 0.937989183438248),  # Mavro
    ],
)
def test_univariate_sets(values, mean, spread, correlation):
    """A one-pass sum of squares loses NumAcc3 and breaks on NumAcc4."""
    found = type_a(list(values))
    assert found.value == pytest.approx(mean, rel=1e-12)
    assert found.uncertainty * len(values) ** 0.5 == pytest.approx(spread, rel=1e-6)
    assert lag_autocorrelation(np.asarray(values, dtype=float)) == pytest.approx(correlation, rel=1e-6)


def test_correlated_wander_is_not_called_drift():
    """NIST StRD Mavro: the naive slope looks sure (t = 5.5), but its readings are worth far fewer."""
    found = drift(np.arange(50.0), MAVRO)
    assert found.inflation > 3.0
    assert not found.drifting


# Allan deviations: NIST SP 1065, sections 12.2 (nine values) and 12.4 (a thousand).

NBS14 = [892.0, 809.0, 823.0, 798.0, 671.0, 644.0, 883.0, 903.0, 677.0]


@pytest.mark.parametrize(
    ("kind", "one", "two"),
    [
        ("adev", 91.22945, 115.8082),
        ("oadev", 91.22945, 85.95287),
        ("mdev", 91.22945, 74.78849),
        ("hdev", 70.80607, 116.7980),
        ("ohdev", 70.80607, 85.61487),
        ("tdev", 52.67135, 86.35831),
    ],
)
def test_nine_point_set(kind, one, two):
    """NIST SP 1065, table 31 (NBS14)."""
    found = [point.deviation for point in allan(NBS14, factors=[1, 2], kind=kind)]
    assert found == pytest.approx([one, two], rel=1e-6)


def thousand():
    """The set's own generator: n(i+1) = 16807 n(i) mod 2147483647 from 1234567890, divided by the modulus."""
    n, values = 1234567890, []
    for _ in range(1000):
        values.append(n / 2147483647)
        n = 16807 * n % 2147483647
    return values


@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        ("adev", [2.922319e-1, 9.965736e-2, 3.897804e-2]),
        ("oadev", [2.922319e-1, 9.159953e-2, 3.241343e-2]),
        ("mdev", [2.922319e-1, 6.172376e-2, 2.170921e-2]),
        ("hdev", [2.943883e-1, 1.052754e-1, 3.910860e-2]),
        ("tdev", [1.687202e-1, 3.563623e-1, 1.253382e0]),
    ],
)
def test_thousand_point_set(kind, expected):
    """NIST SP 1065, table 32, at 1, 10 and 100 s."""
    found = [point.deviation for point in allan(thousand(), factors=[1, 10, 100], kind=kind)]
    assert found == pytest.approx(expected, rel=1e-6)


# Outliers.


@pytest.mark.parametrize(
    ("count", "critical"), [(3, 1.1543), (5, 1.7150), (8, 2.1266), (10, 2.2900), (20, 2.7082), (50, 3.1282)]
)
def test_grubbs_critical_values(count, critical):
    """Two-sided 5 % table of Grubbs' test (NIST/SEMATECH e-Handbook 1.3.5.17.1 gives the formula)."""
    assert grubbs_critical(count) == pytest.approx(critical, abs=5e-4)


def test_grubbs_finds_the_one_and_only_the_one():
    values = [12.01, 12.02, 12.00, 12.01, 11.2, 12.02, 12.01, 12.00]
    assert grubbs_outlier(values) == 4
    assert grubbs_outlier(values[:4] + values[5:]) is None
    assert grubbs_outlier([12.0, 12.0, 12.0]) is None
    # Nine readings of 0 but one of 1: G is 8/3 whatever the size, beyond the 2.215 of the table for nine.
    assert grubbs_outlier([0.0] * 8 + [1.0]) == 8
    assert grubbs_outlier([0.0, 1.0, 2.0]) is None


def test_robust_spread_of_the_nine_point_set():
    """Median absolute deviation 83, times 1.4826 (normal distribution)."""
    assert robust_spread(np.array(NBS14)) == pytest.approx(123.06, abs=0.02)


# A warm-up, a step, a dip: what a soak has to tell apart. Closed forms with seeded noise.


def series(n=1800, sigma=0.002, seed=1):
    return np.arange(float(n)), np.random.default_rng(seed).normal(0.0, sigma, n)


def test_a_warm_up_is_told_from_drift():
    """y = 5.8 - 0.12 exp(-t / 300 s): a straight line through it would read +0.16 V/h."""
    t, noise = series()
    found = drift(t, 5.8 - 0.12 * np.exp(-t / 300.0) + noise)
    assert found.warm_up_tau == pytest.approx(300.0, abs=4.0 * found.warm_up_tau_uncertainty)
    assert 0.5 < found.warm_up_tau_uncertainty < 8.0
    assert not found.drifting
    # Time to within 1.2 mV of the end: tau ln(0.12 / 0.0012) = 1382 s, by hand.
    assert found.warm_by(0.0012) == pytest.approx(1382.0, rel=0.05)


def test_a_drift_is_found_with_an_honest_uncertainty():
    """The slope's standard deviation for white noise: sigma sqrt(12 / (N (N^2 - 1))) / h."""
    t, noise = series()
    found = drift(t, 12.0 + 2e-6 * t + noise)
    expected = 0.002 * (12.0 / (1800.0 * (1800.0**2 - 1.0))) ** 0.5
    assert found.slope == pytest.approx(2e-6, abs=4.0 * expected)
    assert 0.8 * expected < found.slope_uncertainty < 2.0 * expected
    assert found.drifting


def test_quiet_series_hardly_ever_drift():
    """At most a few of a hundred seeded series of white noise."""
    assert sum(drift(*_quiet(seed)).drifting for seed in range(100)) <= 10


def _quiet(seed):
    t, noise = series(300, seed=seed)
    return t, 12.0 + noise


def test_a_step_is_found_where_it_is():
    """Three standard deviations, once."""
    t, noise = series()
    found = drift(t, 12.0 + noise + np.where(t >= 700.0, 0.006, 0.0))
    assert len(found.steps) == 1
    assert found.steps[0] == pytest.approx(700.0, abs=5.0)
    assert found.step_sizes[0] == pytest.approx(0.006, abs=0.001)


def test_a_dip_is_an_excursion_and_no_step():
    t, noise = series()
    values = 12.0 + noise
    values[900:902] -= 3.0
    found = drift(t, values)
    assert found.steps == ()
    assert [round(e.size, 1) for e in found.excursions] == [-3.0]
    assert found.excursions[0].start == 900.0
    assert not found.drifting


@pytest.mark.parametrize(
    ("times", "values"),
    [
        ([], []),
        ([0.0], [1.0]),
        ([0.0, 1.0], [1.0, 1.0]),
        ([0, 1, 2], [1, 2]),
        ([0, 1, 1], [1, 2, 3]),
        ([2, 1, 0], [1, 2, 3]),
        ([0, 1, 2], [1, float("nan"), 3]),
        ([0, 1, float("inf")], [1, 2, 3]),
        ([0, 1, 2], [1, 2, 1e200]),
        ([0, 1, 2], [1, 2, -1e200]),
        ([0, 1, 2], [1j, 2, 3]),
        ([0, 1, 2], ["1", "2", "x3"]),
        ([[0, 1, 2]], [[1, 2, 3]]),
    ],
)
def test_what_is_no_series_is_refused(times, values):
    """Too few, unequal lengths, times that stand still or go back, no number, beyond all numbers: with what it was."""
    with pytest.raises(SeriesError, match=r"\d|nan|complex"):
        drift(times, values)


def test_the_first_time_that_does_not_rise_is_named():
    with pytest.raises(SeriesError, match=r"1\.0 s is followed by 1\.0 s at index 2"):
        drift([0, 1, 1, 0], [1, 2, 3, 4])


@pytest.mark.parametrize(
    "settings", [{"interval": 0.0}, {"interval": np.inf}, {"kind": "qdev"}, {"factors": [0]}, {"factors": [1, 0]}]
)
def test_allan_refuses_what_it_cannot_do(settings):
    with pytest.raises(SeriesError):
        allan(NBS14, **settings)


def test_allan_needs_three_readings():
    with pytest.raises(SeriesError, match="at least 3"):
        allan([1.0, 2.0])
    assert [point.deviation for point in allan([1.0, 2.0, 4.0])] == pytest.approx([1.25**0.5])  # by hand


@pytest.mark.parametrize(
    ("kind", "spent"), [("adev", None), ("oadev", 2), ("mdev", 3), ("hdev", None), ("ohdev", 3), ("tdev", 3)]
)
@pytest.mark.parametrize("n", [8, 11, 12, 13])
def test_allan_uses_every_difference_there_is(kind, spent, n):
    """NIST SP 1065, 5.2: from N = n + 1 phases, N - 2m, N - 3m + 1 and N - 3m differences where they overlap."""
    for m in (1, 2, 4):
        found = allan(np.arange(n) ** 2.0, factors=[m], kind=kind)
        side_by_side = n // m - (2 if kind == "hdev" else 1)
        expected = side_by_side if spent is None else n + 1 - spent * m + (kind in ("mdev", "tdev"))
        assert [point.count for point in found] == ([expected] if expected > 0 else [])


def test_allan_takes_every_power_of_two_that_has_a_difference():
    assert [point.tau for point in allan(np.arange(8.0))] == [1.0, 2.0, 4.0]
    assert [point.tau for point in allan(np.arange(7.0))] == [1.0, 2.0]


def test_allan_of_small_changes_on_a_large_value():
    """A constant has no deviation, however large: 2^30 is taken off a series of 64ths without a rounding."""
    small = np.round(64.0 * np.random.default_rng(4).normal(size=2000)) / 64.0
    for bare, lifted in zip(allan(small), allan(small + 2.0**30), strict=True):
        assert lifted.deviation == pytest.approx(bare.deviation, rel=1e-6)
