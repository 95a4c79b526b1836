"""Mean, RMS and a steady level, each with its standard uncertainty.

Rules of this module:

- An alternating signal is averaged over whole cycles, from mid crossing to mid crossing; a steady one over the record.
- The uncertainty comes from how the parts of the record differ (cycles, or 32 equal pieces), so noise that neighbouring
  samples share, hum and slow wandering are in it. Fewer than four cycles differ by chance: there it is the noise's.
- A clipped record has no mean and no RMS: SignalError.

The instrument's own gain and offset errors are not in these uncertainties; they are in the bench file.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..errors import SignalError
from .instants import crossings
from .states import left_between, step_error
from .tally import find_levels, tally
from .transitions import find_transitions
from .waveform import Waveform

_PIECES = 32
_FEWEST_CYCLES = 4
_BLOCK = 1 << 16
_JUMP = 0.25  # of the swing from one sample to the next: more than any edge that the samples resolve


class Level(NamedTuple):
    """A value and its standard uncertainty, in volts."""

    value: float
    uncertainty: float


def measure_level(waveform: Waveform) -> Level:
    """The steady level of a record: the mean of all its samples.

    Raises SignalError for a clipped record.

    >>> measure_level(Waveform([1.0, 3.0, 1.0, 3.0], 1e-3)).value
    2.0
    """
    refuse_clipped(waveform)
    pieces = min(_PIECES, len(waveform))
    ends = np.linspace(0, len(waveform), pieces + 1).astype(np.int64)
    means = np.diff(_running_sums(waveform, ends, 1)) / np.diff(ends)
    value = float(np.average(means, weights=np.diff(ends)))
    return Level(value, float(np.hypot(scatter_of_mean(means), _left(waveform, value))))


def mean(waveform: Waveform) -> Level:
    """Mean volts over whole cycles, or over the record where nothing alternates. Raises SignalError if clipped."""
    refuse_clipped(waveform)
    cycles = _cycles(waveform)
    if cycles is None:
        return measure_level(waveform)
    value, scatter = _over(waveform, cycles, 1)
    return Level(value, math.hypot(scatter, _step(waveform), _between(waveform, cycles, 1)))


def rms(waveform: Waveform, *, ac: bool = False) -> Level:
    """RMS volts over whole cycles, or over the record; with `ac` without the mean, as an AC-coupled meter reads.

    Raises SignalError for a clipped record.
    """
    refuse_clipped(waveform)
    cycles = _cycles(waveform)
    ends = np.linspace(0.0, len(waveform) - 1.0, _PIECES + 1) if cycles is None else cycles
    square, scatter = _over(waveform, ends, 2)
    centre = _over(waveform, ends, 1)[0] if ac else 0.0
    value = float(np.sqrt(max(square - centre * centre, 0.0)))
    # Below its own uncertainty a square has no useful root: what could be there is then sqrt(scatter).
    scatter = math.hypot(scatter, 0.0 if cycles is None else _between(waveform, cycles, 2))
    error = scatter / (2.0 * value) if square - centre * centre > scatter else float(np.sqrt(scatter))
    return Level(value, float(np.hypot(error, _step(waveform))))


def scatter_of_mean(means: NDArray[np.float64]) -> float:
    """Standard uncertainty of the mean of pieces of a record that follow each other, in their unit.

    Where pieces hang together (slow noise, 1/f, a drift) larger pieces scatter more than independent ones would: then
    the largest of what 2, 4, 8 ... pieces together say counts, widened as few of them have to be (Student's t, so that
    twice the uncertainty holds 95 %). Noise slower than the record shows in no record: a longer one has to.
    """
    base = float(means.std(ddof=1)) / math.sqrt(means.size)
    away = means - means.mean()
    energy = float(away @ away)
    hang_together = energy > 0.0 and float(away[1:] @ away[:-1]) / energy > 1.6 / math.sqrt(means.size)
    worst = base
    together = 2
    while means.size // together >= 4:
        count = means.size // together
        larger = means[: count * together].reshape(count, together).mean(axis=1)
        found = float(larger.std(ddof=1)) / math.sqrt(count)
        if hang_together or found > base * (1.0 + 2.0 / math.sqrt(2.0 * (count - 1))):
            worst = max(worst, found * _few(count))
        together *= 2
    return worst


def _few(count: int) -> float:
    """Student's t for 95.45 % and `count` - 1 degrees of freedom, over 2 (its own series in 1 / degrees of freedom)."""
    free = count - 1.0
    return 1.0 + 1.25 / free + 1.55 / free**2 + 1.8 / free**3


def refuse_clipped(waveform: Waveform) -> None:
    """Raise SignalError if the record touches the limits of its converter."""
    if waveform.clipped and waveform.code_limits is not None:
        low, high = (code * waveform.scale + waveform.offset for code in waveform.code_limits)
        raise SignalError(
            f"The record is clipped: it reaches a limit of its converter ({low:.6g} V, {high:.6g} V).",
            next_step="Use more volts per division or move the trace, and take the record again.",
        )


def _over(waveform: Waveform, ends: NDArray[np.float64], power: int) -> tuple[float, float]:
    """Mean of volts to a power between the first and the last of `ends` (samples), and its standard uncertainty."""
    integrals = np.diff(_integral(waveform, ends, power))
    lengths = np.diff(ends)
    value = float(integrals.sum() / lengths.sum())
    if lengths.size >= _FEWEST_CYCLES:
        return value, scatter_of_mean(integrals / lengths)
    slope = 1.0 if power == 1 else 2.0 * float(np.sqrt(max(value, 0.0)))
    return value, slope * noise_of(waveform) / float(np.sqrt(lengths.sum()))


def _between(waveform: Waveform, cycles: NDArray[np.float64], power: int) -> float:
    """What edges between two samples leave open in a mean over cycles, as a standard uncertainty.

    A jump may have come anywhere between its two samples: uniform, h / sqrt(12) for each of the two in a cycle. With a
    sample clock that is tied to the signal every cycle is off alike, so this is not averaged away.
    """
    volts = _volts(waveform, waveform.samples[:_BLOCK])
    jumps = np.abs(np.diff(volts))
    if float(jumps.max()) <= _JUMP * float(np.ptp(volts)):
        return 0.0
    largest = float(np.abs(np.diff(volts**power)).max())
    return largest / math.sqrt(6.0) / float(np.diff(cycles).mean())


def _integral(waveform: Waveform, ends: NDArray[np.float64], power: int) -> NDArray[np.float64]:
    """Trapezoid integral of volts to a power from the first sample to each of `ends`, in volts times samples."""
    whole = np.minimum(np.floor(ends).astype(np.int64), len(waveform) - 2)
    part = ends - whole
    left, right = (_volts(waveform, waveform.samples[whole + k]) ** power for k in (0, 1))
    first = float(_volts(waveform, waveform.samples[:1])[0]) ** power
    sums = _running_sums(waveform, whole, power)
    return np.asarray(sums + (left - first) / 2.0 + part * left + 0.5 * part * part * (right - left))


def _running_sums(waveform: Waveform, stops: NDArray[np.int64], power: int) -> NDArray[np.float64]:
    """Sum of volts to a power over the samples before each of `stops`, which rise; in blocks."""
    sums = np.empty(stops.size)
    carried, done = 0.0, 0
    for begin in range(0, len(waveform), _BLOCK):
        block = _volts(waveform, waveform.samples[begin : begin + _BLOCK]) ** power
        upto = int(np.searchsorted(stops, begin + block.size, side="right"))
        running = np.concatenate(([0.0], np.cumsum(block)))
        sums[done:upto] = carried + running[stops[done:upto] - begin]
        carried, done = carried + float(running[-1]), upto
    return sums


def _volts(waveform: Waveform, samples: NDArray[Any]) -> NDArray[np.float64]:
    return np.asarray(samples * waveform.scale + waveform.offset, dtype=np.float64)


def _cycles(waveform: Waveform) -> NDArray[np.float64] | None:
    """Mid crossings of one direction, in samples: the ends of whole cycles; None where nothing alternates."""
    try:
        levels = find_levels(tally(waveform))
    except SignalError:
        return None
    transitions = find_transitions(waveform, levels)
    times = crossings(waveform, transitions, levels.at(0.5))[::2]
    return times if times.size >= 2 else None


def noise_of(waveform: Waveform) -> float:
    """Standard deviation of one sample's noise, in volts, from second differences: edges and slopes hardly show."""
    volts = _volts(waveform, waveform.samples[:_BLOCK])
    if volts.size < 3:
        return 0.0
    bends = np.abs(volts[:-2] - 2.0 * volts[1:-1] + volts[2:])
    return max(1.4826 * float(np.median(bends)) / math.sqrt(6.0), _quantum(waveform) / math.sqrt(12.0))


def _quantum(waveform: Waveform) -> float:
    """The converter's step in volts; 0 for a record of volts."""
    if waveform.codes is None:
        return 0.0
    seen = np.unique(waveform.samples[:_BLOCK]).astype(np.int64)
    step = int(np.gcd.reduce(np.diff(seen))) if seen.size >= 3 else 1
    return step * abs(waveform.scale)


def _left(waveform: Waveform, value: float) -> float:
    """What the converter's step leaves in the mean of a level. Two codes only, one above the other, do not tell the
    noise, and the mean may be off by its distance from the middle between them (`states.left_between`).
    """
    quantum = _quantum(waveform)
    seen = np.unique(waveform.samples[:_BLOCK])
    if quantum == 0.0 or seen.size != 2:
        return _step(waveform)
    lower = min(float(code) * waveform.scale + waveform.offset for code in seen)
    return left_between(value - lower, quantum)


def _step(waveform: Waveform) -> float:
    """What the converter's step leaves in a mean: see `states.step_error`."""
    volts = _volts(waveform, waveform.samples[:_BLOCK])
    return step_error(float(volts.std()), _quantum(waveform))
