"""Durations between mid instants: high time, low time, period, duty factor, jitter.

Rules of this module:

- Only whole pulses and whole periods count; the part of a pulse at either end of the record does not.
- Every result is a weighted sum of instants, so that what two results share (the same edges) is accounted for once.
- Where durations scatter more than the noise explains, the signal itself varies, and the uncertainty is that of the
  mean of what was seen.
- What is not independent from edge to edge (the mid level, too few samples per edge) is not averaged away.

Symbols as in GUM 5.1 (uncorrelated instants); period from a line through the instants, or, where it wanders, from the
first and the last. Times are in samples here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .instants import Instants

# A chi-squared this many standard deviations too large is not noise.
_EXCESS = 4.0


@dataclass(frozen=True, slots=True)
class Timing:
    """A duration, its standard uncertainty, and the single durations behind it; samples, or a pure number."""

    value: float
    uncertainty: float
    single: NDArray[np.float64]
    varies: bool  # scatters more than noise explains


@dataclass(frozen=True, slots=True)
class Edges:
    """All mid instants in order of time; rising and falling ones alternate.

    instants  shape (n,), in samples
    spread    shape (n,): standard uncertainty of each from noise, independent
    shape     variance common to edges of a kind, from too few samples: rising, falling
    mid       standard uncertainty common to all high times, from the mid level and from bends that fits left out
    """

    instants: NDArray[np.float64]
    spread: NDArray[np.float64]
    upward: NDArray[np.bool_]
    shape: tuple[float, float]
    mid: float


def merge(rising: Instants, falling: Instants, upward: NDArray[np.bool_], mid_uncertainty: float) -> Edges:
    """Put the instants of both directions back in order. `mid_uncertainty` in volts."""
    instants = np.empty(upward.size)
    spread = np.empty(upward.size)
    for kind, mask in ((rising, upward), (falling, ~upward)):
        instants[mask] = kind.times
        spread[mask] = kind.spread
    mid = sum(mid_uncertainty / kind.slope for kind in (rising, falling) if kind.times.size)
    mid = float(np.sqrt(mid**2 + rising.bend**2 + falling.bend**2))
    return Edges(instants, spread, upward, (rising.shape**2, falling.shape**2), mid)


def width(edges: Edges, *, high: bool) -> Timing | None:
    """Mean high (or low) time of the whole pulses; None if there is none."""
    starts = np.flatnonzero(edges.upward[:-1] == high)
    if not starts.size:
        return None
    single = edges.instants[starts + 1] - edges.instants[starts]
    noise = float(np.mean(edges.spread[starts] ** 2 + edges.spread[starts + 1] ** 2))
    variance, varies = _of_mean(single, noise / single.size, noise, sum(edges.shape))
    return Timing(float(single.mean()), float(np.hypot(np.sqrt(variance), edges.mid)), single, varies)


def period(edges: Edges) -> Timing | None:
    """Mean period; None where no direction has two edges."""
    rises, falls = np.flatnonzero(edges.upward), np.flatnonzero(~edges.upward)
    both = [rows for rows in (rises, falls) if rows.size >= 2]
    if not both:
        return None
    longest = max(both, key=len)
    single = np.diff(edges.instants[longest])
    weights = _line_weights(edges, both)
    value = float(weights @ edges.instants)
    if _bends(edges, both, value):
        mean = float(single.mean())
        scatter = float(single.std(ddof=1)) / np.sqrt(single.size) if single.size > 1 else 0.0
        return Timing(mean, max(scatter, float(np.hypot(*edges.spread[longest[[0, -1]]])) / single.size), single, True)
    shape = 2.0 * max(edges.shape) / single.size**2
    return Timing(value, float(np.sqrt(np.sum((weights * edges.spread) ** 2) + shape)), single, False)


def duty(edges: Edges, high: Timing, cycle: Timing) -> Timing:
    """High time over period. The edges they share are counted once."""
    value = high.value / cycle.value
    starts = np.flatnonzero(edges.upward[:-1])
    common = high.uncertainty**2 - float(np.sum((_mean_weights(edges, starts) * edges.spread) ** 2))
    single = _single_duties(edges, starts)
    if (high.varies or cycle.varies) and single.size > 1:
        own = float(single.std(ddof=1)) / np.sqrt(single.size)
        return Timing(value, float(np.hypot(own, edges.mid / cycle.value)), single, True)
    both = [rows for rows in (np.flatnonzero(edges.upward), np.flatnonzero(~edges.upward)) if rows.size >= 2]
    weights = _mean_weights(edges, starts) - value * _line_weights(edges, both)
    variance = float(np.sum((weights * edges.spread) ** 2)) + max(common, 0.0)
    return Timing(value, float(np.sqrt(variance)) / cycle.value, single, False)


def _of_mean(single: NDArray[np.float64], of_mean: float, noise: float, shape: float) -> tuple[float, bool]:
    """Variance of the mean of durations, and whether they vary by themselves.

    `noise` and `shape` are the variances expected of one duration. The part of `shape` that shows as scatter averages
    out; the rest is common to all.
    """
    if single.size < 2:
        return of_mean + shape, False
    seen = float(single.var(ddof=1))
    expected = noise + shape
    limit = expected * (1.0 + _EXCESS * np.sqrt(2.0 / (single.size - 1)))
    if seen > limit:
        return seen / single.size, True
    if shape < 1e-2 * noise:
        return of_mean + shape, False
    return max(of_mean, seen / single.size) + max(0.0, shape - seen), False


def _mean_weights(edges: Edges, starts: NDArray[np.int64]) -> NDArray[np.float64]:
    weights = np.zeros(edges.instants.size)
    weights[starts + 1] += 1.0 / starts.size
    weights[starts] -= 1.0 / starts.size
    return weights


def _line_weights(edges: Edges, both: list[NDArray[np.int64]]) -> NDArray[np.float64]:
    """Weights of the instants in the slope of parallel lines through the rising and the falling ones."""
    weights = np.zeros(edges.instants.size)
    total = 0.0
    for rows in both:
        place = np.arange(rows.size) - (rows.size - 1) / 2.0
        trust = 1.0 / max(float(edges.spread[rows[0]]) ** 2, 1e-30)
        weights[rows] = place * trust
        total += trust * float(place @ place)
    return weights / total


def _bends(edges: Edges, both: list[NDArray[np.int64]], value: float) -> bool:
    """Do the instants leave the line by more than noise and too few samples explain?"""
    for kind, rows in enumerate(both):
        left = edges.instants[rows] - value * np.arange(rows.size)
        shape = edges.shape[kind] if len(both) == 2 else max(edges.shape)
        expected = float(edges.spread[rows[0]]) ** 2 + shape + 1e-18 * value**2
        freedom = rows.size - 1
        if np.sum((left - left.mean()) ** 2) > expected * (freedom + _EXCESS * np.sqrt(2.0 * freedom)):
            return True
    return False


def _single_duties(edges: Edges, starts: NDArray[np.int64]) -> NDArray[np.float64]:
    whole = starts[starts + 2 < edges.instants.size]
    begin, end, again = (edges.instants[whole + k] for k in range(3))
    return np.asarray((end - begin) / (again - begin))
