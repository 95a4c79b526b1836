"""The two state levels, from the settled parts of the record only.

Rules of this module:

- A state's level is the mean of its settled samples: after the edge and its ringing, before the next edge. Edges and
  tails would pull it inward; the more so the shorter the pulse.
- Its uncertainty comes from the noise seen there, with its correlation from sample to sample, and from the converter's
  step, which averaging removes only where noise is there to smear it.
- A few samples far from all others are a glitch: they are left out of the mean, and counted.
- At most `_BUDGET` samples of each state are read, spread over the whole record.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .tally import StateLevels
from .transitions import Transitions
from .waveform import Waveform

_BUDGET = 1 << 17
_VISITS = 1 << 12
_CODES = 1 << 14  # widest range of codes that is counted rather than averaged one by one
_CORRELATED = 1 << 15  # samples that tell how neighbours correlate
# Settled after this many transition durations (a single pole is then within 2e-6), where the state lasts that long.
_AFTER = 6.0
# Before an edge begins: its mid instant less this many durations. A ramp needs 0.63, a Gaussian edge 1 to be at 0.5 %.
_BEFORE = 1.0
_LEAST = 0.65
_FAR = 8.0  # spreads of a state beyond which no noise reaches
_SEEN_FAR = 0.05  # of the amplitude: nearer ones hardly move a mean
_FEW = 0.01  # share of a state's samples that may be glitches
_TOGGLING = 0.52  # noise, in steps of the converter, up to which samples may lie on two codes only (at most 0.5)


@dataclass(frozen=True, slots=True)
class State:
    """One state: its level and standard uncertainty (V), noise about it (V), and how many samples were taken."""

    level: float
    uncertainty: float
    noise: float
    correlation: float  # of neighbouring samples of the noise, 0 where not significant
    samples: int
    glitches: int = 0  # samples left out because they lie far off


@dataclass(frozen=True, slots=True)
class States:
    low: State
    high: State
    quantum: float  # volts per step of the converter, 0 for volts

    @property
    def amplitude(self) -> float:
        return self.high.level - self.low.level

    def at(self, fraction: float) -> float:
        """The reference level at this fraction of the amplitude."""
        return self.low.level + fraction * self.amplitude

    @property
    def mid_uncertainty(self) -> float:
        """Standard uncertainty of the mid level, in volts."""
        return 0.5 * math.hypot(self.low.uncertainty, self.high.uncertainty)

    @property
    def noise(self) -> float:
        """Standard deviation of one sample, in volts, quantisation included."""
        low, high = self.low, self.high
        many = max(low.samples + high.samples, 2)
        weights = (max(low.samples, 1) / many, max(high.samples, 1) / many)
        variance = weights[0] * low.noise**2 + weights[1] * high.noise**2
        return math.sqrt(max(variance, self.quantum**2 / 12.0))

    @property
    def correlation(self) -> float:
        return max(self.low.correlation, self.high.correlation)


def settled(
    waveform: Waveform,
    levels: StateLevels,
    transitions: Transitions,
    instants: NDArray[np.float64],
    durations: tuple[float, float],
    settling: tuple[float, float],
    quantum: float,
) -> States:
    """Both states of a record.

    instants   mid instants of the transitions, in samples
    durations  rising and falling transition duration (10 % to 90 %), in samples
    settling   samples after a rising and after a falling edge until it rings no more
    """
    high_first = not transitions.rising
    # The record may begin and end within an edge: its ends count as edges, half gone by.
    head, tail = durations[0 if high_first else 1], durations[1 if transitions.upward()[-1] else 0]
    bounds = np.concatenate(([0.5 * head - 1.0], instants, [len(waveform) - 0.5 * tail]))
    states = []
    for is_high in (False, True):
        rows = np.arange(0 if is_high == high_first else 1, bounds.size - 1, 2)
        entry, leave = (0, 1) if is_high else (1, 0)
        first, last = _zones(bounds, rows, durations[entry], settling[entry], durations[leave])
        near, spread = (levels.high, levels.high_spread) if is_high else (levels.low, levels.low_spread)
        if not first.size:  # never settled: no better than the first estimate
            states.append(State(near, math.hypot(spread, quantum), spread, 0.0, 0))
            continue
        far = max(_FAR * spread, 2.0 * quantum, _SEEN_FAR * levels.amplitude)
        states.append(_state(waveform, first, last, near, far, quantum))
    return States(states[0], states[1], quantum)


def _zones(
    bounds: NDArray[np.float64], rows: NDArray[np.int64], entry: float, settling: float, leave: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First and last sample of the settled part of each visit between bounds[row] and bounds[row + 1]."""
    start, stop = bounds[rows], bounds[rows + 1]
    length = stop - start
    third = np.maximum(length / 3.0, 4.0)
    before = np.minimum(_BEFORE * leave, np.maximum(_LEAST * leave, (length - third) / 2.0))
    wanted = max(_AFTER * entry, settling)
    after = np.clip(length - before - third, _LEAST * entry, max(wanted, _LEAST * entry))
    first = np.ceil(start + after + 0.5)
    last = np.floor(stop - before - 0.5)
    long = length - before - third >= wanted
    if long.any():  # a visit that the record cuts short may still ring
        first, last = first[long], last[long]
    return _spread(first.astype(np.int64), last.astype(np.int64))


def _spread(first: NDArray[np.int64], last: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Keep visits that have a settled part; thin them, or shorten a few long ones, down to the budget."""
    kept = last >= first
    first, last = first[kept], last[kept]
    total = int((last - first + 1).sum())
    step = max(1, min(-(-total // _BUDGET), first.size // 16), -(-first.size // _VISITS))
    first, last = first[::step], last[::step]
    if total > _BUDGET:
        first = np.maximum(first, last - max(1, _BUDGET // max(1, first.size)) + 1)
    return first, last


def _state(
    waveform: Waveform, first: NDArray[np.int64], last: NDArray[np.int64], near: float, far: float, quantum: float
) -> State:
    """One state from its settled samples. `near` is a first estimate; samples more than `far` off may be glitches."""
    samples = waveform.samples
    gathered = np.concatenate([samples[k:m] for k, m in zip(first.tolist(), (last + 1).tolist(), strict=True)])
    values, counts = _counted(gathered)
    volts = values * waveform.scale + waveform.offset
    kept = np.abs(volts - near) <= far
    total = int(counts.sum())
    if not kept.all() and counts[kept].sum() >= (1.0 - _FEW) * total:
        volts, counts = volts[kept], counts[kept]
    many = int(counts.sum())
    level = near + float(counts @ (volts - near)) / many
    noise = math.sqrt(float(counts @ (volts - level) ** 2) / max(many - 1, 1))
    if noise <= 1e-9 * abs(level):  # one code all along: what is left is rounding, which correlates
        noise = 0.0
    some = gathered[:_CORRELATED] * waveform.scale + (waveform.offset - level)
    correlation = _correlation(some[np.abs(some + (level - near)) <= far] if many < total else some, noise)
    spread = noise * math.sqrt((1.0 + correlation) / (1.0 - correlation) / many)
    left = _left_of_step(level - float(volts.min()), noise, quantum)
    return State(level, math.hypot(spread, left), noise, correlation, many, total - many)


def _counted(samples: NDArray[Any]) -> tuple[NDArray[Any], NDArray[np.int64]]:
    """Values and how often each occurs, where that makes fewer of them; else the samples, once each."""
    if samples.dtype.kind in "iu":
        least = int(samples.min())
        if int(samples.max()) - least < _CODES:
            counts = np.bincount(samples.astype(np.int64) - least)
            held = np.flatnonzero(counts)
            return held + least, counts[held]
    return samples, np.ones(samples.size, dtype=np.int64)


def _correlation(error: NDArray[np.float64], noise: float) -> float:
    """Lag-one correlation where it stands out by three standard errors, else 0."""
    if noise <= 0.0 or error.size < 32:
        return 0.0
    # A sum, not a dot product: that would wake other threads, which costs more than it saves.
    found = float(np.sum(error[1:] * error[:-1])) / (noise * noise * error.size)
    return min(found, 0.999) if found > 3.0 / math.sqrt(error.size) else 0.0


def _left_of_step(above: float, noise: float, quantum: float) -> float:
    """What averaging leaves of a converter's step, for a level that lies `above` a code.

    Samples on two neighbouring codes only do not tell the noise: without any, the level would lie at the border
    between the codes. So the mean is off by at most its distance from the middle of the step (rectangular).
    """
    if quantum == 0.0 or noise > _TOGGLING * quantum:
        return step_error(noise, quantum)
    return left_between(above, quantum)


def left_between(above: float, quantum: float) -> float:
    """The same where only two neighbouring codes were seen: rectangular, up to the middle between them."""
    place = above / quantum % 1.0
    return float(abs(place - 0.5) * quantum / np.sqrt(3.0))


def step_error(noise: float, quantum: float) -> float:
    """What averaging leaves of a converter's step: q/sqrt(12) without noise, next to nothing at half a step of it.

    The first harmonic of the quantiser's error falls as exp(-2 pi^2 s^2 / q^2) with noise s (Widrow and Kollar,
    Quantization Noise, 2008; formula checked by simulation).
    """
    if quantum == 0.0:
        return 0.0
    analogue = max(noise * noise - quantum * quantum / 12.0, 0.0)
    return float(quantum / np.sqrt(12.0) * np.exp(-2.0 * np.pi**2 * analogue / quantum**2))
