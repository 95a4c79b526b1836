"""How often a decision rule is wrong, for an instrument of a given test uncertainty ratio: before anything is measured.

Rule 1. The risk is that of the rule that is used. "guarded" passes only what lies inside by its guard band, and fails
        only what lies outside by it; what falls between is told as such and is no wrong verdict.
Rule 2. Global risks (JCGM 106:2012, 9.5) are shares of all units, and hang on how good the units are: they are centred
        in the window, normal, and 95 % of them lie in it, where nothing better is known (common practice).
Rule 3. The specific risk (JCGM 106:2012, 9.3) is that of one value; given here for the worst value that is passed, so
        that it holds whatever the units are like.

TUR = width of the window / (2 U95) with U95 = 2u, so that the window is 4 TUR standard uncertainties wide.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from statistics import NormalDist

from .errors import UncertaintyError
from .rules import guard_band_of

IN_TOLERANCE = 0.95
_REACH = 8.0  # standard deviations beyond which a normal distribution holds nothing
_STEPS = 600  # of Simpson's rule on each side of a limit


@dataclass(frozen=True, slots=True)
class Risks:
    """Shares of all units, 0..1.

    false_accept  passed, and out: the consumer's risk
    false_reject  failed, and in: the producer's risk
    undecided   neither passed nor failed: within a guard band
    worst_pass  probability that the worst value which is still passed belongs to a unit that is out; 0 if none is
    """

    false_accept: float
    false_reject: float
    undecided: float
    worst_pass: float


def risks(ratio: float, rule: str, in_tolerance: float = IN_TOLERANCE) -> Risks:
    """Of a decision rule at a test uncertainty ratio, for units of which `in_tolerance` (0..1) lie in the window.

    By Simpson's rule over the true value (JCGM 106:2012, 9.5). Raises `WindowError` for an unknown rule,
    `UncertaintyError` for a ratio that is not above 0 or a share that is not between 0 and 1.
    """
    below_high = 0.5 + in_tolerance / 2.0  # of all units; a share that rounds to none or all has no spread either
    if not (math.isfinite(ratio) and ratio > 0.0 and 0.5 < below_high < 1.0):
        raise UncertaintyError(
            f"A test uncertainty ratio of {ratio} for {in_tolerance} of the units in tolerance gives no risk.",
            next_step="Give a ratio above 0 and a share between 0 and 1.",
        )
    # In units of half the window: limits at -1 and 1.
    uncertainty = 1.0 / (2.0 * ratio)
    guard = guard_band_of(uncertainty, rule)
    sigma = 1.0 / NormalDist().inv_cdf(below_high)
    false_accept = false_reject = undecided = 0.0
    for x, weight, inside in _units(sigma, guard + _REACH * uncertainty):
        passed = max(0.0, _between(-1.0 + guard, 1.0 - guard, x, uncertainty))
        failed = 1.0 - _between(-1.0 - guard, 1.0 + guard, x, uncertainty)
        undecided += weight * (1.0 - passed - failed)
        if inside:
            false_reject += weight * failed
        else:
            false_accept += weight * passed
    return Risks(false_accept, false_reject, undecided, worst_pass(4.0 * ratio, rule))


def worst_pass(width: float, rule: str) -> float:
    """Probability that a value which is just passed is out; the window is `width` standard uncertainties wide.

    Infinity for a window with one limit. 0 where the guard bands leave nothing to pass.
    """
    guard = guard_band_of(1.0, rule)
    if width < 2.0 * guard:
        return 0.0
    return _phi(-guard) + _phi(guard - width)


def _units(sigma: float, reach: float) -> Iterator[tuple[float, float, bool]]:
    """True values, in half windows, the weight of each in an integral over all units, and whether they are inside.

    Only those within `reach` of the upper limit: the lower one mirrors it, and no verdict about others is in doubt.
    """
    far = 1.0 + min(reach, _REACH * sigma)
    for low, high, inside in ((max(0.0, 1.0 - reach), 1.0, True), (1.0, far, False)):
        step = (high - low) / _STEPS
        for i in range(_STEPS + 1):
            x = low + i * step
            factor = 1.0 if i in (0, _STEPS) else 4.0 if i % 2 else 2.0
            density = math.exp(-0.5 * (x / sigma) ** 2) / (sigma * math.sqrt(2.0 * math.pi))
            yield x, 2.0 * factor * step / 3.0 * density, inside


def _between(low: float, high: float, value: float, uncertainty: float) -> float:
    """Probability that a unit of this true value reads between two limits."""
    return _phi((high - value) / uncertainty) - _phi((low - value) / uncertainty)


def _phi(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))
