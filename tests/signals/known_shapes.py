"""Waveforms whose parameters are known in closed form. Times in samples unless a name says seconds."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def trapezoid(times: Array, width: float, rise: float, fall: float) -> Array:
    """0 to 1 and back: mid instants at 0 and `width`, edges from 0 % to 100 % lasting `rise` and `fall`."""
    up = np.clip(times / rise + 0.5, 0.0, 1.0)
    down = np.clip((times - width) / fall + 0.5, 0.0, 1.0)
    return np.asarray(up - down)


def pulses(times: Array, first: float, period: float, width: float, edge: float = 1e-3) -> Array:
    """A train of trapezoids from 0 to 1; one rising mid instant lies at `first`."""
    count = int(times[-1] / period) + 3
    parts = (trapezoid(times - first - k * period, width, edge, edge) for k in range(-2, count))
    return np.asarray(sum(parts))


def single_pole(times: Array, tau: float) -> Array:
    return np.asarray(-np.expm1(-np.maximum(times, 0.0) / tau))


def second_order(times: Array, natural: float, zeta: float) -> Array:
    """Unit step response of wn^2 / (s^2 + 2 zeta wn s + wn^2), zeta < 1."""
    since = np.maximum(times, 0.0)
    root = np.sqrt(1.0 - zeta * zeta)
    damped = natural * root
    return np.asarray(
        1.0 - np.exp(-zeta * natural * since) * (np.cos(damped * since) + zeta / root * np.sin(damped * since))
    )
