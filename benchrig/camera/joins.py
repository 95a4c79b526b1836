"""How well the two halves of a lattice's sides join: the miss across the stroke, with its uncertainty.

A side of a square is drawn in two halves, each from one end of a ramp. Where the ramp runs too fast or too slow the
halves end beside each other: the miss is measured across the stroke, where a camera sees best. A gap along the stroke
repeats to a tenth of a millimetre only and is not measured.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..errors import SignalError
from .glass import GlassMap
from .grid import GridLines, Line
from .measures import PIXEL_GRID, Measured

Values = NDArray[np.float64]
_BESIDE_JOIN = 1.5  # mm left out to each side of a join
_LEAST_POINTS = 4


def join_miss(lines: GridLines, glass_map: GlassMap, *, upright: bool) -> Measured:
    """Mean miss of the joins of all upright (or level) sides, metres: upper half less lower half to the right, or
    right half less left half upwards. Raises SignalError where fewer than four joins are seen.
    """
    own, others = (lines.columns, lines.rows) if upright else (lines.rows, lines.columns)
    crossing = [float(np.median(line.points[:, 1 if upright else 0])) for line in others]
    misses = np.array([miss for line in own for miss in _misses(line, crossing)])
    if len(misses) < 4:
        raise SignalError(
            f"Only {len(misses)} joins of the lattice are seen.",
            next_step="See that the lattice is on the screen, in focus, and all of it in view.",
        )
    middle = float(np.median(misses))
    spread = 1.4826 * float(np.median(np.abs(misses - middle)))
    kept = misses[np.abs(misses - middle) < 4.0 * spread + 1e-6]
    noise = float(kept.std(ddof=1)) / math.sqrt(len(kept))
    pixel = PIXEL_GRID * math.sqrt(2.0) / glass_map.scale
    parts = {"noise": 1e-3 * noise, "film": 1e-3 * math.hypot(pixel, glass_map.residual / math.sqrt(len(kept)))}
    return Measured(1e-3 * float(kept.mean()), math.hypot(*parts.values()), "m", parts)


def _misses(line: Line, crossing: list[float]) -> list[float]:
    """The miss in the middle between each two crossings, mm, from a straight line through both halves at once."""
    along, across = (line.points[:, 1], line.points[:, 0]) if line.upright else (line.points[:, 0], line.points[:, 1])
    found = []
    for low, high in pairwise(crossing):
        join = (low + high) / 2.0
        beside = (along > low) & (along < high) & (np.abs(along - join) > _BESIDE_JOIN)
        second = along[beside] > join
        if min(int(second.sum()), int((~second).sum())) < _LEAST_POINTS:
            continue
        terms = np.column_stack([np.ones(len(second)), along[beside] - join, second])
        found.append(float(np.linalg.lstsq(terms, across[beside], rcond=None)[0][2]))
    return found
