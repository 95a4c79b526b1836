"""How often each value occurs in a record, and the two levels that the record keeps coming back to.

Rules of this module:

- One pass over the samples, in blocks, so that a record of any length needs the memory of a block.
- Codes are counted as integers. Volts are counted in fine bins that remember the mean of what fell into them, so
  averages over bins are averages over samples.
- The two levels come from the shortest half of each side (the shorth), which neither edges nor ringing nor glitches
  move much. They are a first estimate; `states` takes the mean of the settled parts afterwards.
- A record without two levels (constant, noise, a ramp) is refused.

The split into two sides and a level from the densest part of each is the histogram method of IEEE 181-2011 (from
memory), made proof against glitches: the split is the one of greatest variance between the sides.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import SignalError
from .waveform import Waveform

BLOCK = 1 << 16
_BINS = 1 << 14
_FINEST = 1e-100  # V; a smaller swing is none
_PAIRED = 1 << 18  # bytes from which they are counted in pairs
_PAIRS = 1 << 17
_WIDEST = 1 << 17  # widest range of codes that gets one bin per code

# Levels closer than this many spreads are one level: Gaussian noise alone reaches 1.3, a triangle 2.7, a sine 8.
_SEPARATION = 3.5
# The middle half of a normal distribution is this many standard deviations wide.
_HALF_WIDTH = 1.349


@dataclass(frozen=True, slots=True)
class Tally:
    """`counts[j]` samples have the value `volts[j]`; volts rise. `quantum` is the converter's step in volts, or 0."""

    volts: NDArray[np.float64]
    counts: NDArray[np.int64]
    quantum: float


@dataclass(frozen=True, slots=True)
class StateLevels:
    """A first estimate of the two states, in volts, and the spread about each as a standard deviation."""

    low: float
    high: float
    low_spread: float
    high_spread: float

    @property
    def amplitude(self) -> float:
        return self.high - self.low

    def at(self, fraction: float) -> float:
        """The reference level at this fraction of the amplitude: 0.5 is the mid level."""
        return self.low + fraction * (self.high - self.low)


def blocks(samples: NDArray[Any], size: int = BLOCK) -> Iterator[NDArray[Any]]:
    """The samples in pieces of at most `size`."""
    for first in range(0, samples.size, size):
        yield samples[first : first + size]


def tally(waveform: Waveform) -> Tally:
    """Count the values of a record. Raises SignalError if there is only one value."""
    samples = waveform.samples
    if samples.dtype.kind in "iu":
        values, counts = _count_codes(samples)
    else:
        values, counts = _count_binned(samples)
    if values.size < 2:
        only = float(values[0]) * waveform.scale + waveform.offset
        raise SignalError(
            f"All {samples.size} samples are {only:.6g} V: there is no pulse.",
            next_step="Check the probe, the trigger and the volts per division.",
        )
    quantum = _quantum(values) * abs(waveform.scale) if samples.dtype.kind in "iu" else 0.0
    volts = values * waveform.scale + waveform.offset
    if waveform.scale < 0.0:
        volts, counts = volts[::-1], counts[::-1]
    return Tally(volts, counts, quantum)


def _count_codes(samples: NDArray[Any]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    if samples.dtype.itemsize == 1:
        return _count_bytes(samples)
    first, last = int(samples.min()), int(samples.max())
    if last - first >= _WIDEST:
        return _count_binned(samples)
    counts = np.zeros(last - first + 1, dtype=np.int64)
    for block in blocks(samples):
        counts += np.bincount(block.astype(np.int64) - first, minlength=counts.size)
    return _occupied(np.arange(first, last + 1, dtype=np.float64), counts)


def _count_bytes(samples: NDArray[Any]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    counts = np.zeros(256, dtype=np.int64)
    raw = samples.view(np.uint8)
    paired = raw.size // 2 * 2 if raw.size >= _PAIRED and raw.flags.c_contiguous else 0
    if paired:  # two codes at a time take half the counting
        pairs = np.zeros(1 << 16, dtype=np.int64)
        for block in blocks(raw[:paired].view(np.uint16), _PAIRS):
            pairs += np.bincount(block, minlength=1 << 16)
        square = pairs.reshape(256, 256)
        counts += square.sum(axis=0) + square.sum(axis=1)
    for block in blocks(raw[paired:]):
        counts += np.bincount(block, minlength=256)
    if samples.dtype.kind == "i":  # bytes 128..255 are the codes -128..-1
        return _occupied(np.arange(-128.0, 128.0), np.roll(counts, 128))
    return _occupied(np.arange(256.0), counts)


def _count_binned(samples: NDArray[Any]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    first, last = float(samples.min()), float(samples.max())
    if last - first < _FINEST:
        return np.array([first]), np.array([samples.size], dtype=np.int64)
    counts = np.zeros(_BINS + 1, dtype=np.int64)
    sums = np.zeros(_BINS + 1)
    for block in blocks(samples):
        above = block - first
        bins = (above * (_BINS / (last - first))).astype(np.int64)
        counts += np.bincount(bins, minlength=_BINS + 1)
        sums += np.bincount(bins, weights=above, minlength=_BINS + 1)
    values, counts = _occupied(first + sums / np.maximum(counts, 1), counts)
    return np.maximum.accumulate(values), counts  # rounding may swap two neighbours


def _occupied(values: NDArray[np.float64], counts: NDArray[np.int64]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    held = np.flatnonzero(counts)
    return values[held], counts[held]


def _quantum(codes: NDArray[np.float64]) -> float:
    """Codes per step of the converter: 256 where 8 bits sit in the upper half of 16. A few codes prove nothing."""
    if codes.size < 16:
        return 1.0
    return float(np.gcd.reduce(np.rint(np.diff(codes)).astype(np.int64)))


def shorth(volts: NDArray[np.float64], counts: NDArray[np.int64]) -> tuple[float, float]:
    """Mean and width of the shortest range that holds more than half of the samples.

    Of equally short ranges the middle one is taken: the first would pull a quantised level down by a step.
    """
    total = np.cumsum(counts)
    need = int(total[-1]) // 2 + 1
    before = total - counts
    starts = np.flatnonzero(before + need <= total[-1])
    ends = np.searchsorted(total, before[starts] + need)
    widths = volts[ends] - volts[starts]
    shortest = np.flatnonzero(widths <= widths.min() * (1.0 + 1e-9))
    j = shortest[(shortest.size - 1) // 2]
    inside = slice(int(starts[j]), int(ends[j]) + 1)
    return float(np.average(volts[inside], weights=counts[inside])), float(widths[j])


def find_levels(found: Tally) -> StateLevels:
    """The two levels of a tally. Raises SignalError if it has not two."""
    candidates = [_settle(found, split) for split in _first_splits(found)]
    apart = [
        levels for levels in candidates if levels is not None and _separation(levels, found.quantum) >= _SEPARATION
    ]
    if not apart:
        low, high = float(found.volts[0]), float(found.volts[-1])
        raise SignalError(
            f"Between {low:.6g} V and {high:.6g} V no two levels stand out from the noise: there is no pulse.",
            next_step="Check the probe and the trigger; a slow ramp or a sine below the noise is not a pulse.",
        )
    return max(apart, key=lambda levels: _between(found, levels.at(0.5)))


def _first_splits(found: Tally) -> list[float]:
    """Where to cut at first: at the greatest variance between the sides, and half-way between the extremes."""
    total = np.cumsum(found.counts)[:-1]
    sums = np.cumsum(found.counts * found.volts)
    share = total / found.counts.sum()
    gap = sums[:-1] / total - (sums[-1] - sums[:-1]) / (found.counts.sum() - total)
    best = int(np.argmax(share * (1.0 - share) * gap * gap))
    return [
        float(found.volts[best] + found.volts[best + 1]) / 2.0,
        float(found.volts[0] + found.volts[-1]) / 2.0,
    ]


def _settle(found: Tally, split: float) -> StateLevels | None:
    """Levels of both sides, the cut moved half-way between them until it stays."""
    levels = None
    for _ in range(16):
        cut = int(np.searchsorted(found.volts, split, side="right"))
        if not 0 < cut < found.volts.size:
            return None
        low, low_width = shorth(found.volts[:cut], found.counts[:cut])
        high, high_width = shorth(found.volts[cut:], found.counts[cut:])
        levels = StateLevels(low, high, low_width / _HALF_WIDTH, high_width / _HALF_WIDTH)
        if levels.at(0.5) == split:
            break
        split = levels.at(0.5)
    return levels


def _separation(levels: StateLevels, quantum: float) -> float:
    spread = max(levels.low_spread, levels.high_spread, quantum / 2.0)
    return levels.amplitude / spread if spread > 0.0 else np.inf


def _between(found: Tally, split: float) -> float:
    """Variance between the two sides of a cut, times the square of the number of samples."""
    cut = int(np.searchsorted(found.volts, split, side="right"))
    if not 0 < cut < found.volts.size:
        return 0.0
    left, right = found.counts[:cut], found.counts[cut:]
    gap = np.average(found.volts[cut:], weights=right) - np.average(found.volts[:cut], weights=left)
    return float(left.sum() * right.sum() * gap * gap)
