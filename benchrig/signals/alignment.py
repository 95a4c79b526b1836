"""Instants of many like edges, each moved to where it fits their mean shape best.

Rules of this module:

- The mean of all edges of one direction, laid over each other, is the shape; least squares against its slope uses all
  of an edge, not only its middle, and comes near the Cramer-Rao bound.
- Only the places relative to each other change. The mean stays, because the shape does not know where its 50 % is.
- Fewer than `_FEWEST` edges, or edges of few samples, show no shape: they stay as they are.

Times are in samples.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .instants import Instants, windows
from .states import States
from .waveform import Waveform

_FEWEST = 8
_SAMPLES = 8.0  # on an edge, at least
_BLOCK = 1 << 17


def align(waveform: Waveform, found: Instants, states: States) -> Instants:
    """The instants of one direction again, with a smaller spread where the record allows it."""
    length = states.amplitude / found.slope if found.slope > 0.0 else 0.0
    reach = int(length) + 2
    centres = np.rint(found.times).astype(np.int64)
    if found.times.size < _FEWEST or length < _SAMPLES:
        return found
    if centres.min() <= reach or centres.max() + reach + 1 >= len(waveform):
        return found
    rows = max(_FEWEST, _BLOCK // (2 * reach + 3))
    shape = _laid(waveform, found.times[:: -(-found.times.size // rows)], reach).mean(axis=0)
    slope = np.gradient(shape)
    slope[slope * (shape[-1] - shape[0]) < 0.0] = 0.0  # a neighbour of the other direction
    energy = float(slope @ slope)
    spread = states.noise / np.sqrt(energy) * np.sqrt((1.0 + states.correlation) / (1.0 - states.correlation))
    if not spread < found.spread:
        return found
    late = np.concatenate(
        [
            (_laid(waveform, found.times[k : k + rows], reach) - shape) @ slope / energy
            for k in range(0, found.times.size, rows)
        ]
    )
    # What all edges share keeps the error that the mean had.
    common = np.sqrt(found.bend**2 + (found.spread**2 - spread**2) / found.times.size)
    return replace(found, times=found.times - late + late.mean(), spread=float(spread), bend=float(common))


def _laid(waveform: Waveform, times: NDArray[np.float64], reach: int) -> NDArray[np.float64]:
    """Volts at whole samples from each instant, by straight lines between samples; shape (m, 2 * reach + 1)."""
    left = np.floor(times).astype(np.int64)
    part = (times - left)[:, None]
    volts = windows(waveform, left, reach + 1)
    return np.asarray(volts[:, 1:-1] * (1.0 - part) + volts[:, 2:] * part)
