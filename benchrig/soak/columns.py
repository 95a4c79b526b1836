"""From single readings to columns."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from ..readings import Reading
from .findings import Columns


def as_columns(readings: Sequence[Reading]) -> Columns:
    """Readings of one channel in order, at least one."""
    values = [math.nan if it.value is None else it.value for it in readings]
    usable = next((it for it in reversed(readings) if it.usable), readings[-1])
    return Columns(
        np.array([it.time for it in readings]),
        np.array(values, dtype=np.float64),
        np.array([it.flags.value for it in readings], dtype=np.uint32),
        usable.resolution or 0.0,
    )
