"""From blocks to readings, and to what a plot needs of millions of them. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..readings import Flag, Reading, usable_of
from .facts import Block
from .packing import unpack

Floats = NDArray[np.float64]
Sums = tuple[int, int, int, float, float, float]  # from, to (microseconds), usable, least, mean, greatest


class Envelope(NamedTuple):
    """Stretches of a channel: mean times in seconds, and values; shape (n,) each."""

    times: Floats
    least: Floats
    mean: Floats
    greatest: Floats


def unpacked(packed: bytes, start: int, count: int, unit: str, resolution: float | None) -> Block:
    """A block as it stands in the record, in seconds."""
    times, values, flags = unpack(packed, start, count)
    return Block(times / 1e6, values, flags, unit, resolution)


def block_of(readings: Sequence[Reading]) -> Block:
    """Single readings of one channel in columns; at least one."""
    values = [math.nan if it.value is None else it.value for it in readings]
    flags = np.array([it.flags.value for it in readings], dtype=np.uint32)
    times = np.array([it.time for it in readings])
    return Block(times, np.array(values, dtype=np.float64), flags, readings[0].unit, readings[-1].resolution)


def readings_of(block: Block) -> Iterator[Reading]:
    """Columns as single readings."""
    rows = zip(block.times.tolist(), block.values.tolist(), block.flags.tolist(), strict=True)
    for time, value, flags in rows:
        known = None if math.isnan(value) else value
        yield Reading(known, block.unit, time, Flag(flags), block.resolution)


def envelope_of(blocks: Iterable[Block], points: int) -> Envelope:
    """Of usable readings; stretches of equal counts."""
    times, values = [np.empty(0)], [np.empty(0)]
    for block in blocks:
        good = usable_of(block.values, block.flags)
        times.append(block.times[good])
        values.append(block.values[good])
    return envelope_over(np.concatenate(times), np.concatenate(values), points)


def envelope_over(times: Floats, values: Floats, points: int) -> Envelope:
    """Of numbers in order of time, shape (n,) each: at most `points` stretches of equal counts, every number in one."""
    starts = _starts(times.size, points)
    if not starts.size:
        return Envelope(*(np.empty(0) for _ in range(4)))
    sizes = np.diff(np.append(starts, times.size))
    return Envelope(
        np.add.reduceat(times, starts) / sizes,
        np.minimum.reduceat(values, starts),
        np.add.reduceat(values, starts) / sizes,
        np.maximum.reduceat(values, starts),
    )


def thinned_sums(rows: Sequence[Sums], points: int) -> Envelope:
    """From the sums of blocks: neighbours together until there are at most about `points`."""
    table = np.array(rows, dtype=np.float64)
    starts = _starts(len(table), points)
    weights = table[:, 2]
    total = np.add.reduceat(weights, starts)
    middle = (table[:, 0] + table[:, 1]) / 2e6
    return Envelope(
        np.add.reduceat(middle * weights, starts) / total,
        np.minimum.reduceat(table[:, 3], starts),
        np.add.reduceat(table[:, 4] * weights, starts) / total,
        np.maximum.reduceat(table[:, 5], starts),
    )


def _starts(count: int, points: int) -> NDArray[np.intp]:
    """Where each of at most `points` stretches of `count` begins."""
    if not count:
        return np.empty(0, dtype=np.intp)
    return np.unique(np.linspace(0, count, min(points, count), endpoint=False).astype(np.intp))
