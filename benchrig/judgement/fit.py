"""Straight lines and exponential approaches by least squares, with the covariance of what was fitted.

Rule 1. Every curve here is linear in all but at most one parameter, a rate. For a given rate the rest follows by linear
        least squares, so only the rate is searched: over a grid first, then by golden section. No starting values.
Rule 2. Uncertainties are those of independent residuals; who knows better multiplies (`correlation_inflation`).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .errors import SeriesError
from .series import checked_values
from .uncertainty import Estimate

Floats = NDArray[np.float64]
Columns = Callable[[float], Floats]  # rate -> design matrix of shape (n, k)

_GRID = 40  # rates
_GOLDEN = 0.5 * (math.sqrt(5.0) - 1.0)


@dataclass(frozen=True, slots=True)
class Linear:
    """Least squares with independent residuals.

    coefficients, covariance  shapes (k,), (k, k); the covariance has the residual variance in it
    residuals                 shape (n,)
    spread                    residual standard deviation, n - k degrees of freedom
    """

    coefficients: Floats
    covariance: Floats
    residuals: Floats
    spread: float
    dof: int

    def uncertainty(self, i: int) -> float:
        return math.sqrt(max(0.0, float(self.covariance[i, i])))


@dataclass(frozen=True, slots=True)
class FittedLine:
    """y = intercept + slope * x (GUM H.3)."""

    intercept: Estimate
    slope: Estimate
    correlation: float
    spread: float

    def at(self, x: float) -> Estimate:
        """The line at x, with its uncertainty (not that of a new reading)."""
        a, b = self.intercept, self.slope
        cross = 2.0 * x * self.correlation * a.uncertainty * b.uncertainty
        variance = a.uncertainty**2 + (x * b.uncertainty) ** 2 + cross
        return Estimate(a.value + b.value * x, math.sqrt(max(0.0, variance)), a.dof)


@dataclass(frozen=True, slots=True)
class RateFit:
    """A curve with one non-linear parameter: `rate`, and the linear ones in the order of the columns."""

    rate: Estimate
    linear: tuple[Estimate, ...]
    spread: float


def solve(design: Floats, y: Floats) -> Linear:
    """Least squares of `y` (n,) on the columns of `design` (n, k). Raises `SeriesError` where n <= k."""
    n, k = design.shape
    if n <= k:
        raise SeriesError(f"{n} readings cannot carry {k} parameters and a spread.", next_step="Watch longer.")
    scale = np.sqrt(np.einsum("ij,ij->j", design, design))
    scale += scale == 0.0  # a column of zeros takes no part
    q, r = np.linalg.qr(design / scale)
    inverse = np.linalg.pinv(r)
    coefficients = inverse @ (q.T @ y)
    residuals = y - design @ (coefficients / scale)
    coefficients += inverse @ (q.T @ residuals)  # one refinement: keeps the digits of ill-conditioned designs
    residuals = y - design @ (coefficients / scale)
    variance = float(residuals @ residuals) / (n - k)
    covariance = variance * (inverse @ inverse.T) / np.outer(scale, scale)
    return Linear(coefficients / scale, covariance, residuals, math.sqrt(variance), n - k)


def fit_line(x: ArrayLike, y: ArrayLike) -> FittedLine:
    """The straight line through (n,) points, n >= 3. Raises `SeriesError`, also where all x are the same."""
    across, up = checked_values(x), checked_values(y)
    if across.size != up.size or float(np.ptp(across)) == 0.0:
        raise SeriesError(
            f"{across.size} by {up.size} points from x = {across.min():g} to {across.max():g} make no line.",
            next_step="Give one y for each x, at two different x at least.",
        )
    centre = float(across.mean())
    found = solve(np.column_stack((np.ones_like(across), across - centre)), up)
    mean, slope = (float(c) for c in found.coefficients)
    u_mean, u_slope = found.uncertainty(0), found.uncertainty(1)
    u_intercept = math.hypot(u_mean, centre * u_slope)
    correlation = -centre * u_slope / u_intercept if u_intercept > 0.0 else 0.0
    intercept = Estimate(mean - slope * centre, u_intercept, found.dof)
    return FittedLine(intercept, Estimate(slope, u_slope, found.dof), correlation, found.spread)


def fit_rate(columns: Columns, y: ArrayLike, slowest: float, fastest: float) -> RateFit:
    """Fit a curve that is linear in all but one rate, which lies between `slowest` and `fastest`.

    Uncertainties are of the linearised curve, as a Gauss-Newton fit has them.
    """
    series = checked_values(y)
    rate = search_rate(lambda r: _squares(columns(r), series), slowest, fastest)
    flat = solve(columns(rate), series)
    step = 1e-5 * rate
    bend = (columns(rate + step) - columns(rate - step)) @ flat.coefficients / (2.0 * step)
    whole = solve(np.column_stack((columns(rate), bend)), series)
    k = flat.coefficients.size
    linear = (Estimate(float(c), whole.uncertainty(i), whole.dof) for i, c in enumerate(flat.coefficients))
    return RateFit(Estimate(rate, whole.uncertainty(k), whole.dof), tuple(linear), whole.spread)


def search_rate(cost: Callable[[float], float], slowest: float, fastest: float) -> float:
    """The rate of least cost: best of forty on a logarithmic grid, then golden section between its neighbours.

    Of rates that are as good it is the slowest.
    """
    grid = np.geomspace(slowest, fastest, _GRID)
    best = int(np.argmin([cost(float(rate)) for rate in grid]))
    low, high = math.log(grid[max(best - 1, 0)]), math.log(grid[min(best + 1, _GRID - 1)])
    return math.exp(_golden(lambda x: cost(math.exp(x)), low, high))


def _golden(cost: Callable[[float], float], low: float, high: float) -> float:
    left, right = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
    at_left, at_right = cost(left), cost(right)
    while high - low > 1e-8:  # a minimum is flat: rounding hides anything finer
        if at_left <= at_right:
            high, right, at_right = right, left, at_left
            left = high - _GOLDEN * (high - low)
            at_left = cost(left)
        else:
            low, left, at_left = left, right, at_right
            right = low + _GOLDEN * (high - low)
            at_right = cost(right)
    return 0.5 * (low + high)


def _squares(design: Floats, y: Floats) -> float:
    residuals = solve(design, y).residuals
    return float(residuals @ residuals)
