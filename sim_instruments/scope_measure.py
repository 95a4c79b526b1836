"""The few automatic measurements of a scope's own: from a screen record to a number, or to nothing.

A record that touches the limits of the converter gives no voltage, and one without two like edges gives no time.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from .scope_acquire import crossings
from .scope_double import volts_of
from .scope_record import ScopeRecord

Volts = NDArray[np.float64]


def _edges(volts: Volts, rising: bool) -> NDArray[np.float64]:
    low, high = float(volts.min()), float(volts.max())
    return crossings(volts, (low + high) / 2, (high - low) / 4 or 1.0, rising)


def _period(volts: Volts) -> float | None:
    edges = _edges(volts, True)
    return float(np.diff(edges).mean()) if len(edges) > 1 else None


def _width(volts: Volts, rising: bool) -> float | None:
    begins, ends = _edges(volts, rising), _edges(volts, not rising)
    ends = ends[ends > begins[0]] if len(begins) else ends[:0]
    return float(ends[0] - begins[0]) if len(ends) else None


_VOLTS: dict[str, Callable[[Volts], float]] = {
    "VPP": lambda v: float(np.ptp(v)),
    "VMAX": lambda v: float(v.max()),
    "VMIN": lambda v: float(v.min()),
    "VAVG": lambda v: float(v.mean()),
    "VRMS": lambda v: float(np.sqrt(np.mean(v * v))),
}
_POINTS: dict[str, Callable[[Volts], float | None]] = {
    "PER": _period,
    "PWID": lambda v: _width(v, True),
    "NWID": lambda v: _width(v, False),
}
ITEMS = (*_VOLTS, *_POINTS, "FREQ")


def measure(record: ScopeRecord, channel: int, item: str) -> float | None:
    """One of `ITEMS` from the screen, in volts, seconds or hertz; None where it cannot be had."""
    codes = record.codes(channel, deep=False)
    g = record.geometry
    volts = volts_of(record, channel, codes)
    if item in _VOLTS:
        clipped = codes.min() <= g.low or codes.max() >= g.high
        return None if clipped else _VOLTS[item](volts)
    points = _POINTS["PER" if item == "FREQ" else item](volts)
    if points is None:
        return None
    seconds = points * record.screen_interval
    return 1 / seconds if item == "FREQ" else seconds
