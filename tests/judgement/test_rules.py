"""Decision rules and conformance probability, against the guides that define them."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from benchrig.errors import BenchrigError, FileError
from benchrig.judgement.errors import UncertaintyError, WindowError
from benchrig.judgement.rules import (
    RULES,
    Tier,
    Verdict,
    Window,
    conformance_probability,
    judge,
    judge_two_tier,
)

# Worked figures of JCGM 106:2012 (its clause 7 examples and the speed trap of clause 8). It was not read again;
# the probabilities follow from them with any table of the normal distribution.
JCGM_106 = [
    pytest.param(-5.47, 0.05, (None, -5.40), 0.919, id="reference voltage below -5.40 V"),
    pytest.param(509.7, 8.6, (490.0, None), 0.989, id="bottle pressure above 490 kPa"),
    pytest.param(13.6, 1.8, (12.5, 16.3), 0.663, id="plate count between 12.5 and 16.3"),
]


@pytest.mark.parametrize(("value", "uncertainty", "window", "expected"), JCGM_106)
def test_conformance_probability_of_the_guides_examples(
    value: float, uncertainty: float, window: Window, expected: float
) -> None:
    """JCGM 106:2012, clause 7: one lower limit, one upper limit, both."""
    assert judge(value, uncertainty, window).probability == pytest.approx(expected, abs=0.001)


def test_speed_limit_example_needs_107_for_a_sure_fine() -> None:
    """JCGM 106:2012, clause 8 (not read again): u = 2 % of reading; 100 km/h exceeded with 99.9 % at 107 km/h."""
    too_fast = [v for v in range(100, 115) if 1.0 - judge(v, 0.02 * v, (None, 100.0)).probability >= 0.999]
    assert too_fast[0] == 107


# ILAC-G8:09/2019, 4.2.3 with w = U = 2u. Window 10 .. 20, u = 0.5, so w = 1.
GUARDED = [
    (8.99, "fail"),
    (9.0, "conditional fail"),
    (9.99, "conditional fail"),
    (10.0, "conditional pass"),
    (10.99, "conditional pass"),
    (11.0, "pass"),
    (15.0, "pass"),
    (19.0, "pass"),
    (19.01, "conditional pass"),
    (20.0, "conditional pass"),
    (20.01, "conditional fail"),
    (21.0, "conditional fail"),
    (21.01, "fail"),
]


@pytest.mark.parametrize(("value", "verdict"), GUARDED)
def test_guarded_rule_has_four_verdicts(value: float, verdict: str) -> None:
    """ILAC-G8:09/2019, 4.2.3: the guard band lies on both sides of each limit; edges get the better verdict."""
    judgement = judge(value, 0.5, (10.0, 20.0))
    assert judgement.verdict == verdict
    assert judgement.guard_band == 1.0


@pytest.mark.parametrize(("value", "verdict"), [(9.99, "fail"), (10.0, "pass"), (20.0, "pass"), (20.01, "fail")])
def test_simple_rule_looks_at_the_value_alone(value: float, verdict: str) -> None:
    """ILAC-G8:09/2019, 4.2.1: no guard band, whatever the uncertainty."""
    judgement = judge(value, 0.5, (10.0, 20.0), rule="simple")
    assert judgement.verdict == verdict
    assert judgement.guard_band == 0.0


@pytest.mark.parametrize(
    ("factor", "conformity"), [(1.0, 0.9772), (0.822, 0.95), (1.163, 0.99), (1.545, 0.999)], ids=str
)
def test_guard_band_table(factor: float, conformity: float) -> None:
    """ILAC-G8:09/2019, table 1 (not read again): a band of r * U leaves at least this probability."""
    u = 0.25
    assert judge(10.0 - factor * 2 * u, u, (None, 10.0)).probability == pytest.approx(conformity, abs=2e-4)


def test_value_on_the_limit_is_a_coin_toss() -> None:
    """ILAC-G8:09/2019, 4.2.1: simple acceptance is wrong in up to half of the cases."""
    judgement = judge(5.95, 0.035, (None, 5.95), rule="simple")
    assert judgement.verdict == "pass"
    assert judgement.probability == pytest.approx(0.5)
    assert judgement.wrong_probability == pytest.approx(0.5)


def test_kilovolt_window_of_the_trade() -> None:
    """Common practice, no source: 5.65 .. 5.95 kV; the probabilities for u = 35 V are the normal distribution's."""
    found = [judge(v, 0.035, (5.65, 5.95)).probability for v in (5.80, 5.90, 5.94, 5.95)]
    assert found == pytest.approx([1.000, 0.923, 0.612, 0.500], abs=5e-4)
    verdicts = [str(judge(v, 0.035, (5.65, 5.95)).verdict) for v in (5.80, 5.90, 5.97, 6.05)]
    assert verdicts == ["pass", "conditional pass", "conditional fail", "fail"]


def test_window_narrower_than_its_guard_bands_never_passes() -> None:
    """A bench that cannot decide a window must not say that it can."""
    verdicts = {str(judge(v / 100, 1.0, (0.0, 2.0)).verdict) for v in range(-300, 500)}
    assert verdicts == {"conditional pass", "conditional fail", "fail"}


@pytest.mark.parametrize(
    ("window", "inside", "outside"),
    [((1.0, None), 1e9, -1e9), ((None, 1.0), -1e9, 1e9)],
)
def test_open_side_has_no_limit(window: Window, inside: float, outside: float) -> None:
    """None leaves a side open, for the verdict as for the probability."""
    assert (judge(inside, 0.1, window).verdict, judge(inside, 0.1, window).probability) == ("pass", 1.0)
    assert (judge(outside, 0.1, window).verdict, judge(outside, 0.1, window).probability) == ("fail", 0.0)


@pytest.mark.parametrize("rule", RULES)
def test_without_uncertainty_the_limit_decides(rule: str) -> None:
    """u = 0 (a count, a yes or no): both rules agree and the probability is 0 or 1."""
    found = [
        (str(j.verdict), j.probability)
        for j in (judge(float(v), 0.0, (126.0, 130.0), rule) for v in (125, 126, 130, 131))
    ]
    assert found == [("fail", 0.0), ("pass", 1.0), ("pass", 1.0), ("fail", 0.0)]


def test_far_tails_keep_their_digits() -> None:
    """scipy.stats.norm: 10 and 30 standard uncertainties outside, on either side, is small but not zero."""
    for z in (10.0, 30.0):
        expected = norm.sf(z) - norm.sf(z + 1.0)
        assert conformance_probability(-z, 1.0, (0.0, 1.0)) == pytest.approx(expected, rel=1e-9, abs=0.0)
        assert conformance_probability(1.0 + z, 1.0, (0.0, 1.0)) == pytest.approx(expected, rel=1e-9, abs=0.0)


@given(
    value=st.floats(-1e3, 1e3),
    uncertainty=st.floats(1e-3, 1e3),
    low=st.floats(-1e3, 1e3),
    width=st.floats(0.0, 1e3),
)
def test_probability_agrees_with_scipy(value: float, uncertainty: float, low: float, width: float) -> None:
    """scipy.stats.norm.cdf, an independent normal distribution."""
    judgement = judge(value, uncertainty, (low, low + width))
    expected = norm.cdf(low + width, value, uncertainty) - norm.cdf(low, value, uncertainty)
    assert judgement.probability == pytest.approx(expected, abs=1e-12)
    assert 0.0 <= judgement.probability <= 1.0


@given(value=st.floats(-50, 50), uncertainty=st.floats(0, 20), low=st.floats(-50, 50), width=st.floats(0, 50))
def test_verdicts_mirror(value: float, uncertainty: float, low: float, width: float) -> None:
    """Turning the sign of value and window changes neither verdict nor probability."""
    there = judge(value, uncertainty, (low, low + width))
    back = judge(-value, uncertainty, (-(low + width), -low))
    assert back.verdict == there.verdict
    assert back.probability == pytest.approx(there.probability, abs=1e-12)


@given(value=st.floats(-50, 50), uncertainty=st.floats(1e-3, 20), high=st.floats(-50, 50))
def test_one_sided_pass_is_at_least_97_7_percent_sure(value: float, uncertainty: float, high: float) -> None:
    """ILAC-G8:09/2019, 4.2.2: with w = U a pass is false in less than 2.5 % of the cases, and so is a fail."""
    judgement = judge(value, uncertainty, (None, high))
    if judgement.verdict in ("pass", "fail"):
        assert judgement.wrong_probability <= 0.02276
    else:
        assert judgement.wrong_probability <= 0.5


@pytest.mark.parametrize(
    ("window", "numbers"),
    [
        ((None, None), "None, None"),
        ((2.0, 1.0), "2.0 .. 1.0"),
        ((math.nan, 1.0), "nan .. 1.0"),
        ((1.0, math.nan), "1.0 .. nan"),
        ((-math.inf, 1.0), "-inf .. 1.0"),
        ((1.0, math.inf), "1.0 .. inf"),
        ((0.0, 1.0, 2.0), "3 limits"),
        ((), "0 limits"),
    ],
)
def test_bad_windows_are_refused_with_their_numbers(window: Window, numbers: str) -> None:
    """A window is somebody's file: a FileError, exit code 2."""
    with pytest.raises(WindowError, match=numbers.replace(".", r"\.")) as caught:
        judge(1.0, 0.1, window)
    assert isinstance(caught.value, FileError)
    assert caught.value.next_step


@pytest.mark.parametrize("uncertainty", [-0.001, math.nan, math.inf, -math.inf])
def test_bad_uncertainty_is_refused_with_its_number(uncertainty: float) -> None:
    """No verdict rests on an uncertainty that is none."""
    with pytest.raises(UncertaintyError, match=str(uncertainty)) as caught:
        judge(1.0, uncertainty, (0.0, 2.0))
    assert isinstance(caught.value, BenchrigError)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_value_that_is_no_number_is_refused(value: float) -> None:
    """An overload must not become a fail, nor a pass of a window that is open above."""
    with pytest.raises(UncertaintyError, match=str(value)):
        judge(value, 0.1, (0.0, None))


def test_unknown_rule_is_refused_and_the_known_ones_named() -> None:
    """A misspelt rule must not fall back to another."""
    with pytest.raises(WindowError, match=r"'strict'.*simple, guarded"):
        judge(1.0, 0.1, (0.0, 2.0), rule="strict")


# Window of the EHT of the Skerry 14, with u = 50 V: preferred 9.25 .. 9.55 kV, acceptable 9.10 .. 9.80 kV.
@pytest.mark.parametrize(
    ("volts", "verdict", "tier"),
    [
        (9400.0, "pass", Tier.PREFERRED),
        (9250.0, "pass", Tier.PREFERRED),
        (9600.0, "pass", Tier.ACCEPTABLE),
        (9750.0, "conditional pass", Tier.ACCEPTABLE),
        (9100.0, "conditional pass", Tier.ACCEPTABLE),
        (9850.0, "conditional fail", Tier.OUTSIDE),
        (8990.0, "fail", Tier.OUTSIDE),
    ],
)
def test_two_tiers(volts: float, verdict: str, tier: Tier) -> None:
    """The acceptable window decides about conformity, the preferred one about how good the setting is."""
    found = judge_two_tier(volts, 50.0, (9250.0, 9550.0), (9100.0, 9800.0))
    assert (found.verdict, found.tier) == (verdict, tier)
    assert (found.probability, found.guard_band) == (found.acceptable.probability, 100.0)
    assert found.preferred.window == (9250.0, 9550.0)


def test_one_tier_is_both() -> None:
    """A point with no wider window is judged by the preferred one."""
    found = judge_two_tier(12.65, 0.01, (11.4, 12.6), rule="simple")
    assert (found.verdict, found.tier, found.guard_band) == ("fail", Tier.OUTSIDE, 0.0)
    assert found.acceptable == found.preferred == judge(12.65, 0.01, (11.4, 12.6), "simple")


@pytest.mark.parametrize(
    ("preferred", "acceptable"),
    [((0.0, 2.0), (0.5, 3.0)), ((0.0, 2.0), (0.0, 1.5)), ((None, 2.0), (0.0, 3.0)), ((0.0, None), (0.0, 3.0))],
)
def test_preferred_window_beyond_the_acceptable_one_is_refused(preferred: Window, acceptable: Window) -> None:
    """Two windows that contradict each other are a mistake in the file."""
    with pytest.raises(WindowError, match="reaches beyond"):
        judge_two_tier(1.0, 0.1, preferred, acceptable)


@pytest.mark.parametrize("acceptable", [(None, 3.0), (0.0, None), (0.0, 2.0), (-1.0, 2.0)])
def test_nested_windows_are_taken(acceptable: Window) -> None:
    """A wider, an open or an equal side contradicts nothing."""
    assert judge_two_tier(1.0, 0.1, (0.0, 2.0), acceptable).tier is Tier.PREFERRED


def test_both_windows_of_two_tiers_are_checked() -> None:
    """Neither window may be upside down."""
    for preferred, acceptable in itertools.permutations([(2.0, 1.0), (0.0, 3.0)]):
        with pytest.raises(WindowError, match="upside down"):
            judge_two_tier(1.5, 0.1, preferred, acceptable)


def test_inside_is_what_it_says() -> None:
    """Four verdicts, two of them inside."""
    assert [v.value for v in Verdict if v.inside] == ["pass", "conditional pass"]


def test_words_that_records_keep() -> None:
    """A tier is written into records under its own word, and each rule's text names its clause of ILAC-G8:09/2019."""
    assert [str(tier) for tier in Tier] == ["preferred", "acceptable", "outside"]
    assert [text[text.index("(") :] for text in RULES.values()] == [
        "(ILAC-G8:09/2019, 4.2.1)",
        "(ILAC-G8:09/2019, 4.2.3)",
    ]
