"""From a value and its uncertainty to a verdict that says how sure it is.

Rule 1. The decision rule has a name and is part of the result, so that a report can state it:
        "simple"   ILAC-G8:09/2019 4.2.1: binary, no guard band; a value at the limit is wrong half of the time.
        "guarded"  ILAC-G8:09/2019 4.2.3: non-binary, guard band w = U = 2u on each side of each limit.
Rule 2. Limits belong to the window: a value on the limit is inside, one on the edge of a guard band gets the
        better of the two verdicts.
Rule 3. The probability is that of conformity (JCGM 106:2012, clause 7) for a normal distribution about the value
        with the given standard uncertainty: it does not depend on the rule.
Rule 4. What cannot be judged is refused with its numbers: no limits, limits upside down, not-a-number anywhere,
        a negative uncertainty.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass

from .errors import UncertaintyError, WindowError

# (low, high) in the unit of the value; None where that side is open.
Window = tuple[float | None, float | None]

# As a report should state the rule.
RULES: dict[str, str] = {
    "simple": "simple acceptance, no guard band (ILAC-G8:09/2019, 4.2.1)",
    "guarded": "non-binary with guard band w = U, k = 2 (ILAC-G8:09/2019, 4.2.3)",
}
GUARD_FACTOR = 2.0  # w = U = 2u


class Verdict(enum.StrEnum):
    """What is said about conformity."""

    PASS = "pass"
    CONDITIONAL_PASS = "conditional pass"  # inside the window, within the guard band
    CONDITIONAL_FAIL = "conditional fail"  # outside the window, within the guard band
    FAIL = "fail"

    @property
    def inside(self) -> bool:
        """True if the value itself lies inside the window."""
        return self in (Verdict.PASS, Verdict.CONDITIONAL_PASS)


class Tier(enum.StrEnum):
    """Where a value lies between a preferred window and a wider acceptable one."""

    PREFERRED = "preferred"
    ACCEPTABLE = "acceptable"
    OUTSIDE = "outside"


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict with everything it rests on.

    value, uncertainty  as judged; the uncertainty is a standard one, in the unit of the value
    window, rule        what it was judged against, and how
    verdict             "pass", "conditional pass", "conditional fail" or "fail"
    probability         0..1, that the true value lies inside the window
    guard_band          w, in the unit of the value; 0 for the simple rule
    """

    value: float
    uncertainty: float
    window: Window
    rule: str
    verdict: Verdict
    probability: float
    guard_band: float

    @property
    def wrong_probability(self) -> float:
        """0..1, that calling the value inside (or outside) as this verdict does is wrong."""
        return 1.0 - self.probability if self.verdict.inside else self.probability


@dataclass(frozen=True, slots=True)
class TwoTierJudgement:
    """A value against a preferred and a wider, acceptable window.

    The acceptable window decides about conformity; the tier says how good the setting is.
    """

    preferred: Judgement
    acceptable: Judgement
    tier: Tier

    @property
    def verdict(self) -> Verdict:
        return self.acceptable.verdict

    @property
    def probability(self) -> float:
        return self.acceptable.probability

    @property
    def guard_band(self) -> float:
        return self.acceptable.guard_band


def judge(value: float, uncertainty: float, window: Window, rule: str = "guarded") -> Judgement:
    """Judge a value against a window.

    `window` is (low, high) in the unit of the value, either may be None; `uncertainty` is the standard uncertainty;
    `rule` is "simple" or "guarded". Raises `WindowError` for a window without limits, upside down or not finite, or
    an unknown rule; `UncertaintyError` for a value or an uncertainty that is not finite, or one below zero.
    Source: ILAC-G8:09/2019 4.2.1 and 4.2.3; JCGM 106:2012 clause 7.

    >>> judge(5.8, 0.035, (5.65, 5.95)).verdict
    <Verdict.PASS: 'pass'>
    >>> str(judge(5.94, 0.035, (5.65, 5.95)).verdict)
    'conditional pass'
    """
    guard_band = guard_band_of(uncertainty, rule)
    low, high = checked_window(window)
    if not math.isfinite(value):
        raise UncertaintyError(f"A value of {value} cannot be judged.", next_step="Measure again.")
    return Judgement(
        value=value,
        uncertainty=uncertainty,
        window=(low, high),
        rule=rule,
        verdict=_verdict(_depth(value, low, high), guard_band),
        probability=conformance_probability(value, uncertainty, (low, high)),
        guard_band=guard_band,
    )


def judge_two_tier(
    value: float,
    uncertainty: float,
    preferred: Window,
    acceptable: Window | None = None,
    rule: str = "guarded",
) -> TwoTierJudgement:
    """Judge a value against a preferred window and the wider one that is still acceptable.

    Without `acceptable` the preferred window is both. Raises as `judge`, and `WindowError` where the preferred window
    reaches beyond the acceptable one.
    """
    wide = preferred if acceptable is None else acceptable
    _check_nested(checked_window(preferred), checked_window(wide))
    inner, outer = judge(value, uncertainty, preferred, rule), judge(value, uncertainty, wide, rule)
    return TwoTierJudgement(inner, outer, _tier(inner.verdict, outer.verdict))


def conformance_probability(value: float, uncertainty: float, window: Window) -> float:
    """Probability that the true value lies inside the window (JCGM 106:2012, 7.3 and 7.4); inputs as `judge` takes."""
    low, high = window
    if uncertainty == 0.0:
        return 1.0 if _depth(value, low, high) >= 0.0 else 0.0
    below = -math.inf if low is None else (low - value) / uncertainty
    above = math.inf if high is None else (high - value) / uncertainty
    # Mirrored where more of the window lies above, so that no small difference of two ones is taken.
    return _normal_cdf(min(above, -below)) - _normal_cdf(min(below, -above))


def guard_band_of(uncertainty: float, rule: str) -> float:
    """w of the rule, in the unit of the uncertainty. Raises as `judge`."""
    if rule not in RULES:
        raise WindowError(f"There is no decision rule {rule!r}.", next_step=f"Use one of: {', '.join(RULES)}.")
    if not (math.isfinite(uncertainty) and uncertainty >= 0.0):
        raise UncertaintyError(
            f"A standard uncertainty of {uncertainty} is none.", next_step="It must be finite and not below zero."
        )
    return GUARD_FACTOR * uncertainty if rule == "guarded" else 0.0


def checked_window(window: Window) -> Window:
    """The window itself, if something can be judged against it. Raises `WindowError`."""
    if len(window) != 2:
        raise WindowError(f"A window of {len(window)} limits is none.", next_step="Give (low, high).")
    low, high = window
    if low is None and high is None:
        raise WindowError("The window has no limits (None, None).", next_step="Give it a low or a high limit.")
    if any(limit is not None and not math.isfinite(limit) for limit in window):
        raise WindowError(
            f"The window {low} .. {high} has a limit that is no finite number.",
            next_step="Leave out the limit of a side that is open.",
        )
    if low is not None and high is not None and low > high:
        raise WindowError(f"The window {low} .. {high} is upside down.", next_step="Give the low limit first.")
    return window


def _check_nested(preferred: Window, acceptable: Window) -> None:
    (low, high), (wide_low, wide_high) = preferred, acceptable
    low_sticks_out = wide_low is not None and (low is None or low < wide_low)
    high_sticks_out = wide_high is not None and (high is None or high > wide_high)
    if low_sticks_out or high_sticks_out:
        raise WindowError(
            f"The preferred window {low} .. {high} reaches beyond the acceptable one {wide_low} .. {wide_high}.",
            next_step="Widen the acceptable window, or narrow the preferred one.",
        )


def _tier(preferred: Verdict, acceptable: Verdict) -> Tier:
    if preferred.inside:
        return Tier.PREFERRED
    return Tier.ACCEPTABLE if acceptable.inside else Tier.OUTSIDE


def _depth(value: float, low: float | None, high: float | None) -> float:
    """Distance to the nearest limit: positive inside, negative outside."""
    from_low = math.inf if low is None else value - low
    from_high = math.inf if high is None else high - value
    return min(from_low, from_high)


def _verdict(depth: float, guard_band: float) -> Verdict:
    if depth >= guard_band:
        return Verdict.PASS
    if depth >= 0.0:
        return Verdict.CONDITIONAL_PASS
    return Verdict.CONDITIONAL_FAIL if depth >= -guard_band else Verdict.FAIL


def _normal_cdf(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))
