"""How often a decision rule is wrong: against scipy's bivariate normal distribution and figures of the standards."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_normal, norm

from benchrig.judgement.errors import UncertaintyError, WindowError
from benchrig.judgement.risk import risks, worst_pass
from benchrig.judgement.rules import judge


@pytest.mark.parametrize(
    ("ratio", "accept", "reject"),
    [(1.0, 0.0180, 0.1296), (2.0, 0.0134, 0.0418), (4.0, 0.0086, 0.0155), (10.0, 0.0041, 0.0052)],
)
def test_simple_acceptance(ratio: float, accept: float, reject: float) -> None:
    """JCGM 106:2012, 9.5, for units of which 95 % are in tolerance; the figures were computed by scipy's dblquad."""
    found = risks(ratio, "simple")
    assert (found.false_accept, found.false_reject) == pytest.approx((accept, reject), abs=6e-5)
    assert found.undecided == pytest.approx(0.0, abs=1e-12)


def test_units_of_which_fewer_are_in_tolerance_are_passed_wrongly_more_often() -> None:
    """85 % in tolerance, TUR 2: 2.95 % (scipy's dblquad)."""
    assert risks(2.0, "simple", in_tolerance=0.85).false_accept == pytest.approx(0.0295, abs=6e-5)


@pytest.mark.parametrize("ratio", [0.7, 1.0, 2.0, 4.0, 10.0, 40.0])
@pytest.mark.parametrize("rule", ["simple", "guarded"])
def test_true_and_shown_value_are_a_bivariate_normal_pair(ratio: float, rule: str) -> None:
    """JCGM 106:2012, 9.5.2: the same shares from scipy's distribution function of the pair, over rectangles."""
    sigma, uncertainty = 1.0 / float(norm.ppf(0.975)), 1.0 / (2.0 * ratio)
    guard = 2.0 * uncertainty if rule == "guarded" else 0.0
    pair = multivariate_normal(cov=[[sigma**2, sigma**2], [sigma**2, sigma**2 + uncertainty**2]])

    def share(true: tuple[float, float], shown: tuple[float, float]) -> float:
        if shown[0] >= shown[1]:
            return 0.0
        far = 12.0
        low, high = np.clip([true[0], shown[0]], -far, far), np.clip([true[1], shown[1]], -far, far)
        return float(pair.cdf(high, lower_limit=low))

    passed, failed = (guard - 1.0, 1.0 - guard), (1.0 + guard, math.inf)
    found = risks(ratio, rule)
    assert found.false_accept == pytest.approx(2.0 * share((1.0, math.inf), passed), abs=2e-5)
    assert found.false_reject == pytest.approx(2.0 * share((-1.0, 1.0), failed), abs=2e-5)
    everything = (-math.inf, math.inf)
    undecided = 1.0 - share(everything, passed) - 2.0 * share(everything, failed)
    assert found.undecided == pytest.approx(undecided, abs=5e-5)


@pytest.mark.parametrize(("rule", "worst"), [("simple", 0.5), ("guarded", 0.02275)])
def test_the_worst_value_that_is_passed(rule: str, worst: float) -> None:
    """ILAC-G8:09/2019, 4.2.1 and 4.2.3: up to 50 % for simple acceptance, below 2.5 % with w = U; JCGM 106, 9.3."""
    assert worst_pass(math.inf, rule) == pytest.approx(worst, abs=5e-6)
    assert worst_pass(40.0, rule) == pytest.approx(worst, abs=5e-6)


@pytest.mark.parametrize("width", [4.0, 5.0, 8.0])
def test_it_is_what_the_verdict_itself_says(width: float) -> None:
    """One value at the edge of the acceptance interval: the probability that is reported beside its verdict."""
    verdict = judge(-width / 2.0 + 2.0, 1.0, (-width / 2.0, width / 2.0))
    assert verdict.verdict == "pass"
    assert worst_pass(width, "guarded") == pytest.approx(verdict.wrong_probability)


def test_guard_bands_that_meet_pass_nothing() -> None:
    """Below TUR 1 the window is narrower than two guard bands of U."""
    found = risks(0.9, "guarded")
    assert (found.false_accept, found.worst_pass) == (0.0, 0.0)
    assert found.undecided > 0.8


@pytest.mark.parametrize(
    ("ratio", "share"),
    [
        (0.0, 0.95),
        (-1.0, 0.95),
        (math.nan, 0.95),
        (4.0, 0.0),
        (4.0, 1.0),
        (math.inf, 0.95),
        (4.0, 1e-17),
        (4.0, 1.0 - 2.0**-53),
    ],
)
def test_what_has_no_risk_is_refused(ratio: float, share: float) -> None:
    """With the numbers in the message; so are shares that no double tells from none or all."""
    with pytest.raises(UncertaintyError, match=str(ratio)):
        risks(ratio, "simple", share)


def test_an_unknown_rule_is_refused() -> None:
    """By its name."""
    with pytest.raises(WindowError, match="'guess'"):
        risks(4.0, "guess")


@example(ratio=30.0, share=0.25)
@example(ratio=1e4, share=0.5)
@example(ratio=1.0, share=0.05)
@example(ratio=1e-3, share=0.999)
@example(ratio=0.05, share=0.999)
@given(ratio=st.floats(0.05, 1e4), share=st.floats(0.05, 0.999))
@settings(max_examples=25, deadline=None)
def test_what_is_passed_in_excess_is_what_reads_inside_in_excess(ratio: float, share: float) -> None:
    """Shares of all units: wrong passes less wrong fails is those that read inside less those that are inside.

    Simple acceptance; what is read is normal with both variances added (any textbook). Also for poor units, for
    instruments so good that all uncertainty lies in a thousandth of the window, and for some far too poor for it.
    """
    sigma, uncertainty = 1.0 / float(norm.ppf(0.5 + share / 2.0)), 1.0 / (2.0 * ratio)
    reads_inside = 2.0 * float(norm.cdf(1.0 / math.hypot(sigma, uncertainty))) - 1.0
    found = risks(ratio, "simple", share)
    assert found.false_accept - found.false_reject == pytest.approx(reads_inside - share, abs=1e-7)


def test_a_window_of_four_standard_uncertainties_passes_its_middle_alone() -> None:
    """TUR 1 with w = U: the one value that is passed is out with 4.55 %, the two tails beyond 2u."""
    assert risks(1.0, "guarded").worst_pass == pytest.approx(0.0455, abs=1e-4)
