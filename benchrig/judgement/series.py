"""Plain statistics of a series of readings that survive outliers, large offsets and autocorrelation.

Rule 1. A series is checked once, at the door: two arrays of shape (n,), finite, times rising.
Rule 2. Spread is taken about the mean in two passes, or from medians; never from a sum of squares.
Rule 3. Readings that hang together are worth fewer than their number: `correlation_inflation` says by how much.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .errors import SeriesError
from .uncertainty import student_t

Floats = NDArray[np.float64]
LARGEST = 1e100  # squares and sums of them stay inside a double, and no instrument shows it
MAD_TO_SPREAD = 1.482602  # 1 / Phi^-1(3/4): makes the median deviation a standard deviation for normal noise


def checked_values(values: ArrayLike, least: int = 1) -> Floats:
    """The values as an array of shape (n,). Raises `SeriesError` for fewer than `least`, or one that is no number or
    beyond `LARGEST`.
    """
    try:
        series = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as error:  # text, complex numbers, rows of unequal length
        raise SeriesError(f"The readings are not a row of numbers: {error}.", next_step="Give one series.") from error
    if series.ndim != 1 or series.size < least:
        raise SeriesError(
            f"{series.size} readings of shape {series.shape}, where at least {least} in a row are needed.",
            next_step="Watch longer.",
        )
    bad = np.flatnonzero(~np.isfinite(series))
    if bad.size:
        raise SeriesError(
            f"{bad.size} of {series.size} readings are not finite, the first at index {bad[0]} ({series[bad[0]]}).",
            next_step="Leave out readings that are overloaded or missing.",
        )
    huge = np.flatnonzero(np.abs(series) > LARGEST)
    if huge.size:
        raise SeriesError(f"A reading is {series[huge[0]]}, beyond {LARGEST:g}.", next_step="Look at its unit.")
    return series


def checked_series(times: ArrayLike, values: ArrayLike, least: int = 1) -> tuple[Floats, Floats]:
    """Times (s) and values as arrays of shape (n,). Raises `SeriesError`; times must rise, lengths must match."""
    when, series = checked_values(times, least), checked_values(values, least)
    if when.size != series.size:
        raise SeriesError(f"{when.size} times for {series.size} readings.", next_step="Give one time per reading.")
    back = np.flatnonzero(np.diff(when) <= 0.0)
    if back.size:
        i = int(back[0])
        raise SeriesError(
            f"Times do not rise: {when[i]} s is followed by {when[i + 1]} s at index {i + 1}.",
            next_step="Give readings in the order of their times, each once.",
        )
    return when, series


def robust_spread(values: Floats) -> float:
    """Standard deviation of normal noise by the median absolute deviation, blind to up to half outliers."""
    return MAD_TO_SPREAD * float(np.median(np.abs(values - np.median(values))))


def step_noise(values: Floats) -> float:
    """Standard deviation of white noise, by the differences of neighbours: blind to drift and to a few steps."""
    return robust_spread(np.diff(values)) / math.sqrt(2.0)


def lag_autocorrelation(values: Floats, lag: int = 1) -> float:
    """sum(d_i d_(i+lag)) / sum(d_i^2) about the mean (the definition of NIST StRD); 0 for a constant series."""
    away = values - values.mean()
    energy = float(away @ away)
    return float(away[:-lag] @ away[lag:]) / energy if energy > 0.0 else 0.0


def correlation_inflation(residuals: Floats, fitted: int = 1) -> float:
    """How many times larger than for white noise the variance of a mean or a slope is; at least 1.

    The larger of two estimates: that of a first-order autoregression, (1 + phi) / (1 - phi), with phi corrected for
    its bias in short series (Kendall 1954), and 1 + 2 sum(rho_k) over the lags while pairs of neighbours stay
    positive (Geyer 1992), which also sees slow wander under white noise. `fitted` parameters were taken out before.
    """
    n = residuals.size
    if n <= fitted + 2:
        return 1.0
    rho = autocorrelations(residuals)
    phi = float(rho[1])
    by_chance = 2.0 / math.sqrt(n)  # white noise shows no more, 19 times in 20 (Bartlett 1946)
    phi = min(phi + (fitted + 3.0 * phi) / n if phi > by_chance else phi, 1.0 - 2.0 / n)
    pairs = rho[1:-1:2] + rho[2::2]
    # Geyer pairs from rho_0 on; here from rho_1, and what is summed ends where it is noise. So the total is at least 1.
    ends = np.flatnonzero(pairs < by_chance)
    total = 1.0 + 2.0 * float(pairs[: ends[0] if ends.size else pairs.size].sum())
    return max((1.0 + phi) / (1.0 - phi), total)


def autocorrelations(residuals: Floats) -> Floats:
    """rho_0 .. rho_(n-1) about zero, shape (n,), by the Fourier transform; zeros for a series of zeros."""
    n = residuals.size
    spectrum = np.fft.rfft(residuals, 2 * n)
    covariance = np.fft.irfft(spectrum.real**2 + spectrum.imag**2, 2 * n)[:n]
    return np.asarray(covariance / covariance[0] if covariance[0] > 0.0 else np.zeros(n), dtype=np.float64)


def grubbs_critical(count: int, risk: float = 0.05) -> float:
    """Largest |deviation| / s of the most distant of `count` readings, two-sided at this risk (Grubbs 1969).

    >>> round(grubbs_critical(10), 3)
    2.29
    """
    if count < 3:
        raise SeriesError(f"{count} readings hold no outlier.", next_step="Take at least three.")
    t = student_t(1.0 - risk / (2.0 * count), count - 2)
    return (count - 1) / math.sqrt(count) * math.sqrt(t * t / (count - 2 + t * t))


def grubbs_outlier(values: Sequence[float] | Floats) -> int | None:
    """Index of the one reading that is too far from the others at a risk of 5 %, or None. For a handful of readings."""
    series = checked_values(values, 3)
    away = np.abs(series - series.mean())
    spread = float(series.std(ddof=1))
    worst = int(np.argmax(away))
    return worst if spread > 0.0 and away[worst] / spread > grubbs_critical(series.size) else None


def quantum(values: Floats) -> float:
    """The smallest step between readings if the series is made of such steps, 0 if it is not: a display's one count.

    It is where each value came four times on average and four steps or more are the smallest one, to 1 %.
    """
    moves = np.abs(np.diff(values))
    moves = moves[moves > 0.0]
    if not moves.size or np.unique(values).size > values.size // 4:
        return 0.0
    least = float(moves.min())
    return least if np.count_nonzero(moves < 1.01 * least) >= 4 else 0.0
