"""A damped sine after an edge: frequency and damping ratio, by least squares.

Rules of this module:

- The start of the fit is the first peak and the first dip after it; without both there is no ringing.
- Model: y = c + exp(-a s) (p cos w s + q sin w s). Five unknowns, Gauss-Newton with Levenberg's damping.
- Uncertainty from the covariance of the fit with the scatter of its own residuals.

Natural frequency and damping ratio of the second-order system: wn = sqrt(w^2 + a^2), zeta = a / wn.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_ROUNDS = 40
_TIME_CONSTANTS = 6.0


@dataclass(frozen=True, slots=True)
class Ring:
    """Frequency in cycles per sample, damping ratio, and the standard uncertainty of each."""

    frequency: float
    frequency_uncertainty: float
    damping: float
    damping_uncertainty: float


def fit_ring(values: NDArray[np.float64], peak: int, dip: int) -> Ring | None:
    """Fit the ringing in `values` from the sample `peak` on; `dip` is the first opposite extreme.

    None where it does not fit: too few samples, too strongly damped, or not a damped sine.
    """
    half = dip - peak
    if half < 2 or values[peak] <= 0.0:
        return None
    decay = float(np.clip(np.log(max(values[peak], 1e-12) / max(-values[dip], 1e-12)) / half, 1e-3 / half, 3.0 / half))
    stop = min(values.size, peak + max(int(_TIME_CONSTANTS / decay), 2 * half) + 1)
    seen = values[peak:stop]
    if seen.size < 8:
        return None
    start = np.array([decay, np.pi / half, values[peak], 0.0, 0.0])
    found, covariance = _least_squares(seen, start)
    return _ring(found, covariance, seen)


def _model(unknowns: NDArray[np.float64], size: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The model and its derivatives, shapes (size,) and (size, 5)."""
    decay, omega, cosine, sine, level = unknowns
    s = np.arange(size)
    envelope = np.exp(-np.clip(decay * s, -50.0, 700.0))
    c, d = envelope * np.cos(omega * s), envelope * np.sin(omega * s)
    wave = cosine * c + sine * d
    slopes = np.stack((-s * wave, s * (sine * c - cosine * d), c, d, np.ones(size)), axis=1)
    return wave + level, slopes


def _least_squares(
    seen: NDArray[np.float64], start: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    unknowns, damping = start, 1e-3
    wave, slopes = _model(unknowns, seen.size)
    cost = float(np.sum((seen - wave) ** 2))
    for _ in range(_ROUNDS):
        normal = slopes.T @ slopes
        ridge = np.diag(np.maximum(np.diag(normal), 1e-30)) * damping
        trial = unknowns + np.linalg.lstsq(normal + ridge, slopes.T @ (seen - wave), rcond=None)[0]
        new_wave, new_slopes = _model(trial, seen.size)
        new_cost = float(np.sum((seen - new_wave) ** 2))
        if new_cost > cost or not np.isfinite(new_cost):
            damping *= 10.0
            if damping > 1e9:
                break
            continue
        done = cost - new_cost <= 1e-12 * cost
        unknowns, wave, slopes, cost, damping = trial, new_wave, new_slopes, new_cost, damping / 10.0
        if done:
            break
    variance = cost / max(seen.size - 5, 1)
    return unknowns, np.asarray(np.linalg.pinv(slopes.T @ slopes) * variance, dtype=np.float64)


def _ring(found: NDArray[np.float64], covariance: NDArray[np.float64], seen: NDArray[np.float64]) -> Ring | None:
    decay, omega = float(found[0]), float(found[1])
    wave, _ = _model(found, seen.size)
    explained = 1.0 - float(np.sum((seen - wave) ** 2)) / max(float(np.sum((seen - seen.mean()) ** 2)), 1e-300)
    if not (0.0 < omega < np.pi and decay > 0.0) or explained < 0.5:
        return None
    natural = float(np.hypot(omega, decay))
    damping = decay / natural
    # d(zeta) of a and w: w^2 / wn^3 and -a w / wn^3
    slope = np.array([omega * omega, -decay * omega]) / natural**3
    frequency_error = float(np.sqrt(max(covariance[1, 1], 0.0))) / (2.0 * np.pi)
    damping_error = float(np.sqrt(max(float(slope @ covariance[:2, :2] @ slope), 0.0)))
    return Ring(omega / (2.0 * np.pi), frequency_error, damping, damping_error)
