"""Propagation of uncertainty, against the worked examples of the GUM (JCGM 100:2008) and printed tables."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm as scipy_norm
from scipy.stats import t as scipy_t

from benchrig.judgement.errors import UncertaintyError
from benchrig.judgement.uncertainty import (
    Budget,
    BudgetRow,
    Estimate,
    arcsine,
    combined,
    contributions,
    correlated_means,
    covariance,
    coverage_factor,
    dof_of_uncertainty,
    effective_dof,
    from_expanded,
    rectangular,
    student_t,
    triangular,
    type_a,
)

# GUM H.1, the end gauge of 50 mm. Inputs as published there; lengths in mm, temperatures in degC.
GAUGE_D = Budget(
    215e-6,
    (
        BudgetRow("repeatability", 215e-6, 5.8e-6, dof=24),
        BudgetRow("comparator, random", 0.0, 3.9e-6, dof=5),
        BudgetRow("comparator, systematic", 0.0, 6.7e-6, dof=8),
    ),
)
GAUGE_NAMES = ["standard", "difference", "expansion", "temperature", "expansion difference", "temperature difference"]
GAUGE_AT = [50.000623, 215e-6, 11.5e-6, -0.1, 0.0, 0.0]
GAUGE_U = [
    25e-6,
    GAUGE_D.uncertainty,
    rectangular(2e-6),
    math.hypot(0.2, arcsine(0.5)),
    rectangular(1e-6),
    rectangular(0.05),
]
GAUGE_DOF = [18.0, GAUGE_D.dof, math.inf, math.inf, 50.0, 2.0]


def gauge(x: Sequence[float]) -> float:
    """Length at 20 degC of the gauge under test."""
    standard, difference, expansion, temperature, expansion_gap, temperature_gap = x
    return standard + difference - standard * (expansion_gap * temperature + expansion * temperature_gap)


def gauge_budget() -> Budget:
    parts = contributions(gauge, GAUGE_AT, GAUGE_U)
    rows = (
        BudgetRow(name, at, u, part / u, dof)
        for name, at, u, part, dof in zip(GAUGE_NAMES, GAUGE_AT, GAUGE_U, parts, GAUGE_DOF, strict=True)
    )
    return Budget(gauge(GAUGE_AT), tuple(rows))


def test_end_gauge_comparator() -> None:
    """GUM H.1.3.2: u(d) = 9.7 nm; 25.6 effective degrees of freedom there from rounded inputs, 25.4 unrounded."""
    assert GAUGE_D.uncertainty * 1e6 == pytest.approx(9.7, abs=0.05)
    assert GAUGE_D.dof == pytest.approx(25.5, abs=0.15)


def test_end_gauge_budget_line_by_line() -> None:
    """GUM H.1, table H.1: contributions 25, 9.7, 0, 0, 2.9 and 16.6 nm."""
    found = [abs(row.contribution) * 1e6 for row in gauge_budget().rows]
    assert found == pytest.approx([25.0, 9.7, 0.0, 0.0, 2.9, 16.6], abs=0.05)


def test_end_gauge_result() -> None:
    """GUM H.1.5 and H.1.6: 50.000838 mm, u = 32 nm, 16 dof, U99 = 93 nm; GTC 1.5.1 gives 31.664 nm and 92.48 nm."""
    budget = gauge_budget()
    assert budget.value == pytest.approx(50.000838, abs=5e-7)
    assert budget.uncertainty * 1e6 == pytest.approx(31.664, abs=0.001)
    assert math.floor(budget.dof) == 16
    assert coverage_factor(0.99, budget.dof) == pytest.approx(2.92, abs=0.005)
    assert 92.0 < budget.expanded(0.99) * 1e6 < 93.0


# GUM H.2: five simultaneous readings of voltage (V), current (A) and phase (rad) of one impedance.
IMPEDANCE = np.array(
    [
        [5.007, 19.663e-3, 1.0456],
        [4.994, 19.639e-3, 1.0438],
        [5.005, 19.640e-3, 1.0468],
        [4.990, 19.685e-3, 1.0428],
        [4.999, 19.678e-3, 1.0433],
    ]
)


def resistance(x: Sequence[float]) -> float:
    return x[0] / x[1] * math.cos(x[2])


def reactance(x: Sequence[float]) -> float:
    return x[0] / x[1] * math.sin(x[2])


def impedance(x: Sequence[float]) -> float:
    return x[0] / x[1]


def test_simultaneous_readings_are_correlated() -> None:
    """GUM H.2, table H.2: means, their uncertainties and correlations."""
    means, u, r = correlated_means(IMPEDANCE)
    assert means == pytest.approx([4.9990, 19.6610e-3, 1.04446])
    assert u == pytest.approx([0.0032094, 9.4710e-6, 0.00075206], rel=1e-4)
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.35531, 0.85762, -0.64511], abs=1e-5)
    assert np.diag(r) == pytest.approx([1.0, 1.0, 1.0])


def test_impedance_with_correlations() -> None:
    """GUM H.2, table H.3: R, X and Z with uncertainties and correlations; the last digits from an independent run."""
    means, u, r = correlated_means(IMPEDANCE)
    models = (resistance, reactance, impedance)
    parts = [contributions(model, means.tolist(), u.tolist()) for model in models]
    assert [model(means.tolist()) for model in models] == pytest.approx([127.7322, 219.8465, 254.2597], abs=5e-5)
    assert [combined(p, r) for p in parts] == pytest.approx([0.0710714, 0.2955817, 0.2363361], rel=1e-4)
    both = [
        covariance(parts[a], parts[b], r) / combined(parts[a], r) / combined(parts[b], r)
        for a, b in ((0, 1), (0, 2), (1, 2))
    ]
    assert both == pytest.approx([-0.58843, -0.48526, 0.99251], abs=1e-4)


def test_ignoring_the_correlation_is_wrong_by_a_lot() -> None:
    """GUM H.2.4 warns of it: without correlations u(R) would be about three times as large."""
    means, u, r = correlated_means(IMPEDANCE)
    parts = contributions(resistance, means.tolist(), u.tolist())
    assert combined(parts) > 2.0 * combined(parts, r)


def test_fully_correlated_inputs_cancel_in_a_difference() -> None:
    """One meter for both halves of a winding: its gain error is gone from the difference (GUM 5.2.2)."""
    parts = np.array([0.05, -0.05])
    assert combined(parts, np.ones((2, 2))) == 0.0
    assert combined(parts) == pytest.approx(0.05 * math.sqrt(2.0))


@pytest.mark.parametrize(
    ("dof", "quantile"),
    [
        (1, 12.71),
        (4, 2.776),
        (5, 2.571),
        (7, 2.365),
        (8, 2.306),
        (10, 2.228),
        (16, 2.120),
        (50, 2.009),
        (math.inf, 1.960),
    ],
)
def test_coverage_factors_of_the_table(dof: float, quantile: float) -> None:
    """GUM table G.2, column 95 %."""
    assert coverage_factor(0.95, dof) == pytest.approx(quantile, abs=6e-3 if dof == 1 else 5.1e-4)


@pytest.mark.parametrize(("dof", "quantile"), [(5, 2.649), (10, 2.284), (20, 2.133), (math.inf, 2.000)])
def test_coverage_factors_for_two_sigma(dof: float, quantile: float) -> None:
    """GUM table G.2, column 95.45 %."""
    assert coverage_factor(dof=dof) == pytest.approx(quantile, abs=5.1e-4)


@given(probability=st.floats(1e-5, 1 - 1e-5), dof=st.one_of(st.integers(1, 60), st.integers(61, 10**6)))
def test_student_quantiles_agree_with_scipy(probability: float, dof: int) -> None:
    """scipy.stats.t.ppf, an independent implementation: within the promised 1e-6."""
    expected = float(scipy_t.ppf(probability, dof))
    assert student_t(probability, dof) == pytest.approx(expected, rel=1e-6, abs=1e-6)


@pytest.mark.parametrize("probability", [1e-9, 1e-6, 0.9999, 1.0 - 1e-9])
@pytest.mark.parametrize("dof", [1, 3, 40, 199, 200, 201, 500, 9000, 10_001, 10**7])
def test_far_tails_of_student_are_as_good(probability: float, dof: int) -> None:
    """scipy.stats.t.ppf: what one of a hundred thousand looks may exceed by chance lies out there."""
    assert student_t(probability, dof) == pytest.approx(float(scipy_t.ppf(probability, dof)), rel=1e-6, abs=0.0)


def exact_inside(t: float, dof: int) -> float:
    """P(|T| < t) for an even `dof`: a finite sum (Abramowitz and Stegun 26.7.4; scipy is the check)."""
    angle, term = math.atan(t / math.sqrt(dof)), 1.0
    terms = [term] + [term := term * (k - 1) / k * math.cos(angle) ** 2 for k in range(2, dof, 2)]
    return math.sin(angle) * math.fsum(terms)


@pytest.mark.parametrize(("probability", "left"), [(0.6, 5e-14), (0.8413, 1e-13), (0.977, 5e-13)])
def test_series_of_many_degrees_of_freedom_has_its_printed_numbers(probability: float, left: float) -> None:
    """Abramowitz and Stegun 26.7.5 to the fourth power of 1 / dof: what is left falls with the fifth.

    `left` is that of 202 degrees of freedom, the fewest that take the series here and have a finite sum.
    """
    for dof in (202, 404):
        inside = exact_inside(student_t(probability, dof), dof)
        assert inside == pytest.approx(2.0 * probability - 1.0, rel=0.0, abs=left * (202 / dof) ** 5 + 1e-14)


@pytest.mark.parametrize(("probability", "left"), [(0.9, 3.5e-15), (0.999, 2.4e-13)])
def test_series_of_many_degrees_of_freedom_lacks_only_its_fifth_term(probability: float, left: float) -> None:
    """scipy.stats.t.ppf less the next term of the same series (that so little is left shows it right)."""
    z, exact = float(scipy_norm.ppf(probability)), float(scipy_t.ppf(probability, 202))
    square = z * z
    fifth = (((((27 * square + 339) * square + 930) * square - 1782) * square - 765) * square + 17955) * z / 368640
    assert student_t(probability, 202) == pytest.approx(exact - fifth / 202**5, rel=left, abs=0.0)


@pytest.mark.parametrize("dof", [2, 10, 100, 200])
def test_few_degrees_of_freedom_are_integrated_to_the_last_digits(dof: int) -> None:
    """Abramowitz and Stegun 26.7.4: near the median and far out."""
    for probability in (0.5 + 1e-6, 0.6, 0.9, 0.999, 1.0 - 1e-6):
        inside = exact_inside(student_t(probability, dof), dof)
        assert inside == pytest.approx(2.0 * probability - 1.0, rel=0.0, abs=3e-14)


def test_fractional_degrees_of_freedom_are_truncated() -> None:
    """GUM G.4.1: the next lower whole number, which is the safe side."""
    assert coverage_factor(0.95, 4.99) == coverage_factor(0.95, 4)
    assert coverage_factor(0.95, 200.99) == coverage_factor(0.95, 200)
    assert coverage_factor(0.95, 250.99) == coverage_factor(0.95, 250)


@pytest.mark.parametrize(("probability", "dof"), [(0.0, 5), (1.0, 5), (0.5, 0.99), (math.nan, 5), (0.5, math.nan)])
def test_impossible_quantiles_are_refused(probability: float, dof: float) -> None:
    """Less than one degree of freedom, or certainty, has no quantile."""
    with pytest.raises(UncertaintyError, match=str(dof)):
        student_t(probability, dof)


def test_limits_become_standard_uncertainties() -> None:
    """GUM 4.3 and table of distributions: a/sqrt3, a/sqrt6, a/sqrt2, U/k."""
    assert rectangular(1.0) == pytest.approx(0.57735, abs=1e-5)
    assert triangular(1.0) == pytest.approx(0.40825, abs=1e-5)
    assert arcsine(1.0) == pytest.approx(0.70711, abs=1e-5)
    assert from_expanded(240e-6, 3.0) == pytest.approx(80e-6)  # GUM 4.3.3, the 240 ug of the example
    assert from_expanded(1.0) == 0.5  # k = 2 where a certificate says nothing else
    assert from_expanded(1.0, 1.0) == 1.0
    assert rectangular(0.0) == 0.0


@pytest.mark.parametrize(
    ("draw", "expected"),
    [
        (lambda g, n: g.uniform(-1, 1, n), rectangular(1.0)),
        (lambda g, n: g.triangular(-1, 0, 1, n), triangular(1.0)),
        (lambda g, n: np.sin(g.uniform(0, 2 * np.pi, n)), arcsine(1.0)),
    ],
    ids=["rectangular", "triangular", "arcsine"],
)
def test_distributions_have_these_spreads(draw: object, expected: float) -> None:
    """numpy's generators of the same distributions, 400,000 draws: within 0.5 %."""
    sample = draw(np.random.default_rng(7), 400_000)  # type: ignore[operator]
    assert np.std(sample) == pytest.approx(expected, rel=5e-3)


@pytest.mark.parametrize("width", [-1.0, math.nan, math.inf])
@pytest.mark.parametrize("door", [rectangular, triangular, arcsine, from_expanded])
def test_bad_widths_are_refused(door: object, width: float) -> None:
    """A negative or endless limit is no limit."""
    with pytest.raises(UncertaintyError, match=str(width)):
        door(width)  # type: ignore[operator]


@pytest.mark.parametrize("k", [0.0, -2.0, math.nan])
def test_bad_coverage_factor_is_refused(k: float) -> None:
    """A certificate without a k gives no standard uncertainty."""
    with pytest.raises(UncertaintyError, match="coverage factor"):
        from_expanded(1.0, k)


@pytest.mark.parametrize(("uncertainty", "dof"), [(0.0, math.inf), (0.10, 50), (0.25, 8), (0.50, 2), (5.0, 1.0)])
def test_uncertainty_about_a_guess(uncertainty: float, dof: float) -> None:
    """GUM G.4.2: a guess good to 25 % has 8 degrees of freedom; none has fewer than one here."""
    assert dof_of_uncertainty(uncertainty) == pytest.approx(dof)


def test_repeated_readings() -> None:
    """GUM H.2, table H.2, first column: mean 4.9990 V, u = 0.0032 V, n - 1 degrees of freedom."""
    estimate = type_a(IMPEDANCE[:, 0].tolist())
    assert (estimate.value, estimate.uncertainty, estimate.dof) == (
        pytest.approx(4.9990),
        pytest.approx(0.0032094, rel=1e-4),
        4,
    )


# NIST StRD, univariate: NumAcc1, NumAcc3 and NumAcc4, made to break one-pass sums of squares.
@pytest.mark.parametrize(
    ("readings", "mean", "spread"),
    [
        pytest.param([10000001.0, 10000003.0, 10000002.0], 10000002.0, 1.0, id="NumAcc1"),
        pytest.param([1000000.2] + [1000000.1, 1000000.3] * 500, 1000000.2, 0.1, id="NumAcc3"),
        pytest.param([10000000.2] + [10000000.1, 10000000.3] * 500, 10000000.2, 0.1, id="NumAcc4"),
    ],
)
def test_small_spread_on_a_large_value(readings: list[float], mean: float, spread: float) -> None:
    """NIST StRD: 8 certified digits of the spread survive; what is lost beyond is lost in the data's own doubles."""
    estimate = type_a(readings)
    assert estimate.value == pytest.approx(mean, rel=1e-15)
    assert estimate.uncertainty * math.sqrt(len(readings)) == pytest.approx(spread, rel=2e-8)


@pytest.mark.parametrize("readings", [[], [1.0], [1.0, math.nan], [1.0, math.inf]])
def test_no_spread_from_too_little(readings: list[float]) -> None:
    """One reading, or one that is not finite, has no type A uncertainty."""
    with pytest.raises(UncertaintyError, match=f"^{len(readings)} readings"):
        type_a(readings)


@pytest.mark.parametrize("shape", [(1, 3), (0, 3), (4,)])
def test_no_correlation_from_too_little(shape: tuple[int, ...]) -> None:
    """Correlations need at least two simultaneous sets."""
    with pytest.raises(UncertaintyError, match="two finite sets"):
        correlated_means(np.ones(shape))


def test_two_readings_are_enough_and_no_number_spoils_a_set() -> None:
    """By hand: 1 and 3 have s = sqrt 2, so u = 1 with one degree of freedom; a set with an overload in it is none."""
    assert type_a([1.0, 3.0]) == Estimate(2.0, pytest.approx(1.0), 1)
    means, u, r = correlated_means(np.array([[1.0, 5.0], [3.0, 1.0]]))
    assert (means.tolist(), u.tolist()) == ([2.0, 3.0], pytest.approx([1.0, 2.0]))
    assert r[0, 1] == pytest.approx(-1.0)
    with pytest.raises(UncertaintyError, match="two finite sets"):
        correlated_means(np.array([[1.0, 2.0], [1.0, math.nan], [3.0, 4.0]]))


def test_constant_column_has_no_correlation() -> None:
    """A quantity that did not move has no uncertainty and no correlation, and no 0/0."""
    means, u, r = correlated_means(np.array([[1.0, 2.0], [1.0, 3.0], [1.0, 5.0]]))
    assert (means[0], u[0], r[0, 0], r[0, 1]) == (1.0, 0.0, 0.0, 0.0)


def test_effective_degrees_of_freedom() -> None:
    """GUM G.4.1: equal parts with equal dof double it; a certain part lifts it; no uncertainty at all is endless."""
    assert effective_dof([1.0, 1.0], [4, 4]) == pytest.approx(8.0)
    assert effective_dof([1e-7, 1e-7], [4, math.inf]) == pytest.approx(16.0)
    assert effective_dof([1.0], [math.inf]) == math.inf
    assert effective_dof([0.0], [3]) == math.inf
    assert effective_dof([-2.0, 0.0], [4, 4]) == 4.0  # a contribution counts with either sign
    assert effective_dof([1e-90, 1e-90], [4, 4]) == pytest.approx(8.0)  # and however small its unit makes it
    assert effective_dof([], []) == math.inf
    with pytest.raises(ValueError, match="shorter"):  # a part without its own would be left out of the sum
        effective_dof([1.0, 1.0], [4])


@given(parts=st.lists(st.tuples(st.floats(1e-9, 1e9), st.integers(1, 100)), min_size=1, max_size=6))
def test_effective_dof_lies_between_the_least_and_the_sum(parts: list[tuple[float, int]]) -> None:
    """GUM G.4.1, note: the result is never above the sum, and never below the least."""
    found = effective_dof([p for p, _ in parts], [d for _, d in parts])
    assert min(d for _, d in parts) * (1 - 1e-9) <= found <= sum(d for _, d in parts) * (1 + 1e-9)


def test_sensitivities_by_halved_steps_are_exact_for_squares() -> None:
    """GUM 5.1.3, note 2: a central difference has no second-order error; x^2 at 3 with u = 0.1 gives 0.6."""
    assert contributions(lambda x: x[0] ** 2, [3.0], [0.1])[0] == pytest.approx(0.6, rel=1e-12)
