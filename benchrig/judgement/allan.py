"""Allan-type deviations: how the spread of averages falls, or does not, as the averaging time grows.

After NIST SP 1065 (W. Riley, Handbook of Frequency Stability Analysis, 2008). Readings play the part of the
fractional frequency; their running sum is the phase from which every kind is a difference of second or third order.
All cost O(n) per averaging time and use no loop over readings.

    adev   plain Allan deviation, averages side by side
    oadev  overlapping: same expectation, far better confidence; the one to use
    mdev   modified: tells white from flicker phase noise
    hdev   Hadamard: third difference, blind to linear drift;   ohdev  overlapping Hadamard
    tdev   time deviation, tau / sqrt(3) of mdev
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .errors import SeriesError
from .series import checked_values

Floats = NDArray[np.float64]
KINDS = ("adev", "oadev", "mdev", "hdev", "ohdev", "tdev")


@dataclass(frozen=True, slots=True)
class AllanPoint:
    """One point of the curve: averaging time in s, deviation in the unit of the readings, differences used."""

    tau: float
    deviation: float
    count: int


def allan(
    values: ArrayLike, interval: float = 1.0, factors: Sequence[int] | None = None, kind: str = "oadev"
) -> list[AllanPoint]:
    """Deviations for averaging times `factor * interval`.

    `values` has shape (n,), evenly spaced by `interval` seconds; `factors` are whole numbers of readings, powers of two
    where none are given. A factor that leaves no difference is left out. Raises `SeriesError` for fewer than three
    readings, one not finite, an interval or factor that is not positive, or an unknown kind.
    """
    series = checked_values(values, 3)
    if not (0.0 < interval < math.inf) or kind not in KINDS:
        raise SeriesError(
            f"No {kind!r} at an interval of {interval} s.",
            next_step=f"A positive interval, and one of {', '.join(KINDS)}.",
        )
    wanted = [1 << i for i in range(series.size.bit_length())] if factors is None else list(factors)
    if any(m < 1 for m in wanted):
        raise SeriesError(f"Averaging factors {wanted} are not all positive.", next_step="Count from 1.")
    # The deviations ignore a constant; without it the running sum keeps the digits of the small changes.
    phase = np.concatenate(([0.0], np.cumsum(series - series.mean())))
    points = (_point(phase, m, interval, kind) for m in wanted)
    return [point for point in points if point is not None]


def _point(phase: Floats, m: int, interval: float, kind: str) -> AllanPoint | None:
    order = 3 if kind in ("hdev", "ohdev") else 2
    steps = (
        _averaged_differences(phase, m) if kind in ("mdev", "tdev") else _differences(phase, m, order, kind[0] == "o")
    )
    if steps.size == 0:
        return None
    deviation = math.sqrt(float(steps @ steps) / steps.size / math.factorial(order)) / m
    tau = m * interval
    return AllanPoint(tau, deviation * (tau / math.sqrt(3.0) if kind == "tdev" else 1.0), steps.size)


def _differences(phase: Floats, m: int, order: int, overlapping: bool) -> Floats:
    """Second or third differences of the phase at a stride of m, from every start or from every m-th."""
    used = phase if overlapping else phase[::m]
    stride = m if overlapping else 1
    for _ in range(order):
        used = used[stride:] - used[:-stride]  # nothing is left of a record shorter than the stride
    return used


def _averaged_differences(phase: Floats, m: int) -> Floats:
    """Overlapping second differences, each averaged over m neighbouring starts."""
    sums = np.concatenate(([0.0], np.cumsum(_differences(phase, m, 2, True))))
    return np.asarray((sums[m:] - sums[:-m]) / m, dtype=np.float64)
