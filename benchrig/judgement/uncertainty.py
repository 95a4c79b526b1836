"""Standard uncertainties, how they combine, and how far to stretch them: the GUM (JCGM 100:2008) in small functions.

Rule 1. Everything here is a standard uncertainty in the unit of its quantity; limits and expanded uncertainties are
        turned into one at the door, by the function that names their distribution.
Rule 2. A contribution is c * u with its sign, so that correlated inputs may cancel.
Rule 3. Degrees of freedom are at least 1 and may be infinite; a fraction is truncated down before a coverage factor is
        taken from it (GUM G.4.1).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from .errors import UncertaintyError

Floats = NDArray[np.float64]
TWO_SIGMA = 0.9545  # the coverage probability for which k is 2 with infinite degrees of freedom

_MANY = 200  # degrees of freedom beyond which a series is better than the integral
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its standard uncertainty and degrees of freedom."""

    value: float
    uncertainty: float
    dof: float = math.inf


@dataclass(frozen=True, slots=True)
class BudgetRow:
    """One line of a budget: where an uncertainty comes from and what it does to the result.

    sensitivity  change of the result per change of this input; result's unit over input's unit
    """

    source: str
    estimate: float
    uncertainty: float
    sensitivity: float = 1.0
    dof: float = math.inf

    @property
    def contribution(self) -> float:
        """c * u, in the unit of the result."""
        return self.sensitivity * self.uncertainty


@dataclass(frozen=True, slots=True)
class Budget:
    """Where the uncertainty of `value` comes from. Rows are independent of each other."""

    value: float
    rows: tuple[BudgetRow, ...]

    @property
    def uncertainty(self) -> float:
        """Combined standard uncertainty (GUM 5.1.2)."""
        return math.hypot(*(row.contribution for row in self.rows))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom (GUM G.4.1)."""
        return effective_dof([row.contribution for row in self.rows], [row.dof for row in self.rows])

    def expanded(self, probability: float = TWO_SIGMA) -> float:
        """Half width of the interval that holds the true value with this probability."""
        return coverage_factor(probability, self.dof) * self.uncertainty


def type_a(values: Sequence[float]) -> Estimate:
    """Mean of independent repeated readings: s / sqrt(n), n - 1 degrees of freedom (GUM 4.2).

    Raises `UncertaintyError` for fewer than two readings or one that is not finite.
    """
    n = len(values)
    if n < 2 or not all(math.isfinite(v) for v in values):
        raise UncertaintyError(
            f"{n} readings ({', '.join(str(v) for v in values[:5])}) have no spread to take an uncertainty from.",
            next_step="Take at least two finite readings.",
        )
    mean = math.fsum(values) / n
    spread = math.sqrt(math.fsum((v - mean) ** 2 for v in values) / (n - 1))
    return Estimate(mean, spread / math.sqrt(n), n - 1)


def correlated_means(readings: Floats) -> tuple[Floats, Floats, Floats]:
    """Means, their standard uncertainties and their correlation matrix, from readings of shape (n, quantities).

    Rows are simultaneous sets (GUM 5.2.3, used in H.2). Raises `UncertaintyError` for fewer than two sets.
    """
    n = readings.shape[0]
    if readings.ndim != 2 or n < 2 or not np.isfinite(readings).all():
        raise UncertaintyError(
            f"Readings of shape {readings.shape} are no two finite sets.", next_step="Take at least two sets."
        )
    covariance = np.atleast_2d(np.cov(readings, rowvar=False)) / n
    uncertainties = np.sqrt(np.diag(covariance))
    both = np.outer(uncertainties, uncertainties)
    correlation = np.divide(covariance, both, out=np.zeros_like(both), where=both > 0.0)
    return readings.mean(axis=0), uncertainties, correlation


def rectangular(half_width: float) -> float:
    """A limit without a distribution, such as a maker's specification: a / sqrt(3) (GUM 4.3.7)."""
    return _checked_width(half_width) / math.sqrt(3.0)


def triangular(half_width: float) -> float:
    """Limits with the middle more likely, such as the sum of two equal limits: a / sqrt(6) (GUM 4.3.9)."""
    return _checked_width(half_width) / math.sqrt(6.0)


def arcsine(half_width: float) -> float:
    """A sinusoidal swing of unknown phase, such as a thermostat's: a / sqrt(2) (GUM H.1.3.4)."""
    return _checked_width(half_width) / math.sqrt(2.0)


def from_expanded(expanded: float, coverage: float = 2.0) -> float:
    """An expanded uncertainty from a certificate: U / k (GUM 4.3.3)."""
    if not coverage > 0.0:
        raise UncertaintyError(f"A coverage factor of {coverage} is none.", next_step="Take k from the certificate.")
    return _checked_width(expanded) / coverage


def dof_of_uncertainty(relative: float) -> float:
    """Degrees of freedom of a guessed uncertainty that is itself doubtful by this fraction: 1 / (2 r^2) (GUM G.4.2)."""
    return math.inf if relative == 0.0 else max(1.0, 0.5 / relative**2)


def contributions(
    model: Callable[[Sequence[float]], float], estimates: Sequence[float], uncertainties: Sequence[float]
) -> Floats:
    """c_i * u_i of every input, by half the change of the model from x_i - u_i to x_i + u_i (GUM 5.1.3, note 2)."""

    def half_change(i: int) -> float:
        up, down = list(estimates), list(estimates)
        up[i] += uncertainties[i]
        down[i] -= uncertainties[i]
        return 0.5 * (model(up) - model(down))

    return np.array([half_change(i) for i in range(len(estimates))], dtype=np.float64)


def covariance(one: Floats, other: Floats, correlation: Floats | None = None) -> float:
    """Covariance of two results from their contributions by the same inputs (GUM 5.2.2, H.2.3).

    `correlation` is the inputs' matrix; None where they are independent.
    """
    return float(one @ other if correlation is None else one @ correlation @ other)


def combined(parts: Floats, correlation: Floats | None = None) -> float:
    """Combined standard uncertainty of contributions (GUM 5.1.2 and 5.2.2)."""
    return math.sqrt(max(0.0, covariance(parts, parts, correlation)))


def effective_dof(parts: Sequence[float], dofs: Sequence[float]) -> float:
    """Welch-Satterthwaite: u_c^4 / sum(part^4 / dof), for independent parts (GUM G.4.1)."""
    if not any(parts):
        return math.inf
    largest = max(abs(p) for p in parts)
    scaled = [p / largest for p in parts]  # the fourth powers of microvolts would run out of digits
    weight = math.fsum(p**4 / dof for p, dof in zip(scaled, dofs, strict=True))
    return math.fsum(p * p for p in scaled) ** 2 / weight if weight > 0.0 else math.inf


def coverage_factor(probability: float = TWO_SIGMA, dof: float = math.inf) -> float:
    """k such that +/- k u holds the true value with this probability (GUM G.3.2)."""
    return student_t(0.5 * (1.0 + probability), dof)


def student_t(probability: float, dof: float) -> float:
    """The value that a t-distributed variable stays below with this probability, to better than 1e-6 of it.

    `dof` is truncated down to a whole number. With t = sqrt(dof) tan(a) the distribution is then a whole power of
    cos(a), which Gauss-Legendre integrates and bisection solves. Its factor in front loses digits as `dof` grows, and
    far tails need them: many degrees of freedom take the series about the normal distribution. The 1e-6 hold for
    probabilities from 1e-9 to 1 - 1e-9. Raises `UncertaintyError` for dof < 1 or a probability outside (0, 1).
    """
    if not (dof >= 1.0 and 0.0 < probability < 1.0):
        raise UncertaintyError(
            f"No Student quantile for p = {probability} with {dof} degrees of freedom.",
            next_step="0 < p < 1, and at least one degree of freedom.",
        )
    whole = dof if math.isinf(dof) else math.floor(dof)
    if whole > _MANY:
        return _t_of_many(NormalDist().inv_cdf(probability), whole)
    inside, low, high = abs(2.0 * probability - 1.0), 0.0, 0.5 * math.pi
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _t_inside(middle, whole) < inside else (low, middle)
    return math.copysign(math.sqrt(whole) * math.tan(low), probability - 0.5)


def _t_inside(angle: float, dof: float) -> float:
    """P(|T| < sqrt(dof) tan(angle))."""
    log_density = (dof - 1.0) * np.log(np.cos(0.5 * angle * (_NODES + 1.0)))
    constant = math.lgamma(0.5 * (dof + 1.0)) - math.lgamma(0.5 * dof) + math.log(2.0 / math.sqrt(math.pi))
    return float(0.5 * angle * np.sum(_WEIGHTS * np.exp(log_density + constant)))


def _t_of_many(z: float, dof: float) -> float:
    """Student's quantile from the normal one, in falling powers of dof (Abramowitz and Stegun 26.7.5)."""
    square = z * z
    terms = (
        (square + 1.0) / 4.0,
        ((5.0 * square + 16.0) * square + 3.0) / 96.0,
        (((3.0 * square + 19.0) * square + 17.0) * square - 15.0) / 384.0,
        ((((79.0 * square + 776.0) * square + 1482.0) * square - 1920.0) * square - 945.0) / 92160.0,
    )
    return z * (1.0 + math.fsum(term / dof**power for power, term in enumerate(terms, 1)))


def _checked_width(width: float) -> float:
    if not (math.isfinite(width) and width >= 0.0):
        raise UncertaintyError(f"A half width of {width} is none.", next_step="It must be finite and not below zero.")
    return width
