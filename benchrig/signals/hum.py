"""Hum: the tones of a record that lie in a band, as RMS volts.

Rules of this module:

- Tones are found one by one, strongest first, inside the band and outside, and fitted together by least squares with
  their frequencies free. So the answer does not depend on whole cycles in the record, and a strong neighbour outside
  the band does not leak into it.
- A tone counts when it stands out of the noise; noise alone is no hum, and the uncertainty says how much could hide.
- The record must hold two cycles of the lowest frequency asked for, and be sampled well above the highest.
- A clipped record is refused.

Uncertainty of an amplitude: sigma sqrt(2 / n), the Cramer-Rao bound of a sine in white noise of n samples.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ..errors import SignalError
from .levels import Level, refuse_clipped
from .waveform import Waveform

_MOST_TONES = 12
_LONGEST = 1 << 14
_FEWEST = 64
_PER_CYCLE = 8  # samples per cycle of the highest frequency that are kept
_STANDS_OUT = 5.0  # amplitudes of a spectral line over the noise's
_ROUNDS = 4


def hum(waveform: Waveform, low: float, high: float) -> Level:
    """RMS volts of the tones from `low` to `high` Hz, and the standard uncertainty.

    Raises SignalError for a clipped record, a band upside down, a record shorter than two cycles of `low`, or fewer
    than three samples per cycle of `high`.
    """
    refuse_clipped(waveform)
    _refuse_band(waveform, low, high)
    group = max(1, int(1.0 / (_PER_CYCLE * high * waveform.interval)))
    if len(waveform) // group < _FEWEST:
        group = max(1, len(waveform) // _FEWEST)
    kernel = np.blackman(6 * group + 1)[:-1] if group > 1 else np.ones(1)
    kernel /= kernel.sum()
    volts = _thinned(waveform, kernel, group)
    frequencies, amplitudes, left = _find_tones(volts - volts.mean())
    inside = [
        amplitude / _gain(kernel, frequency / group)
        for frequency, amplitude in zip(frequencies, amplitudes, strict=True)
        if low <= frequency / (group * waveform.interval) <= high
    ]
    # Neighbours share noise through the kernel; what a tone sees is the density, not the variance.
    density = float(np.sqrt(left @ left / max(1, left.size - 3 * len(frequencies) - 1) / (group * (kernel @ kernel))))
    error = density / math.sqrt(volts.size) * math.sqrt(max(1, len(inside)))
    return Level(math.sqrt(sum(a * a for a in inside) / 2.0), error)


def _refuse_band(waveform: Waveform, low: float, high: float) -> None:
    if not 0.0 < low < high < math.inf:
        raise SignalError(f"{low!r} to {high!r} Hz is not a band.", next_step="Give the lower frequency first.")
    if waveform.duration * low < 2.0:
        raise SignalError(
            f"{waveform.duration:.4g} s hold {waveform.duration * low:.3g} cycles of {low:.6g} Hz; two are needed.",
            next_step=f"Take a record of at least {2.0 / low:.3g} s.",
        )
    if high * waveform.interval > 1.0 / 3.0:
        raise SignalError(
            f"{1.0 / waveform.interval:.6g} samples per second are too few for {high:.6g} Hz.",
            next_step=f"Sample faster than {3.0 * high:.4g} per second.",
        )


def _thinned(waveform: Waveform, kernel: NDArray[np.float64], group: int) -> NDArray[np.float64]:
    """One weighted mean of six neighbouring groups per group: tones above the band must not fold into it."""
    if group == 1:
        return waveform.volts[:_LONGEST]
    count = min(len(waveform) // group, _LONGEST)
    parts = kernel.reshape(6, group)
    sums = np.zeros((6, count))
    rows = max(1, (1 << 16) // group)
    for k in range(0, count, rows):
        stop = min(k + rows, count)
        sums[:, k:stop] = parts @ waveform.samples[k * group : stop * group].reshape(-1, group).T
    thinned = sum(sums[m, m : count - 5 + m] for m in range(6))
    return np.asarray(thinned * waveform.scale + waveform.offset, dtype=np.float64)


def _gain(kernel: NDArray[np.float64], frequency: float) -> float:
    """How much of a tone the kernel leaves; frequency in cycles per sample of the record."""
    place = np.arange(kernel.size) - (kernel.size - 1) / 2.0
    return float(np.abs(np.sum(kernel * np.exp(2j * np.pi * frequency * place))))


_Tones = tuple[list[float], NDArray[np.float64], NDArray[np.float64]]


def _find_tones(volts: NDArray[np.float64]) -> _Tones:
    """Frequencies (cycles per sample) and amplitudes of every tone that stands out, and what is left."""
    found: _Tones = ([], np.empty(0), volts)
    for _ in range(_MOST_TONES):
        tone = _strongest(found[2])
        if tone is None or np.ptp(found[2]) <= 1e-9 * np.ptp(volts):
            break
        found = _fit(volts, [*found[0], tone])
    return found


def _strongest(left: NDArray[np.float64]) -> float | None:
    """Frequency of the strongest line of the spectrum, or None if it is noise.

    The first bins belong to drift; the upper half of the spectrum, which the kernel empties, says nothing of noise.
    """
    lines = np.abs(np.fft.rfft(left * np.hanning(left.size)))
    lines[:2] = 0.0
    at = int(np.argmax(lines))
    if at + 1 >= lines.size or lines[at] <= _STANDS_OUT * float(np.median(lines[: lines.size // 2])):
        return None
    before, peak, after = np.log(np.maximum(lines[at - 1 : at + 2], 1e-300))
    bend = before - 2.0 * peak + after
    return float(at + (0.5 * (before - after) / bend if bend < 0.0 else 0.0)) / left.size


def _fit(volts: NDArray[np.float64], frequencies: list[float]) -> _Tones:
    """All tones at once, Gauss-Newton on their frequencies; Gauss-Newton's derivative columns are the third of each."""
    place = np.arange(volts.size) - (volts.size - 1) / 2.0
    omega = 2.0 * np.pi * np.array(frequencies)
    for _ in range(_ROUNDS):
        cosine, sine = np.cos(np.outer(place, omega)), np.sin(np.outer(place, omega))
        flat = np.column_stack((np.ones_like(place), cosine, sine))
        weights = np.linalg.lstsq(flat, volts, rcond=None)[0]
        a, b = np.split(weights[1:], 2)
        left = volts - flat @ weights
        turn = place[:, None] * (b * cosine - a * sine)
        move = np.linalg.lstsq(np.column_stack((flat, turn)), left, rcond=None)[0][-omega.size :]
        omega = omega + np.clip(move, -np.pi / volts.size, np.pi / volts.size)
    return [float(w) for w in omega / (2.0 * np.pi)], np.hypot(a, b), left
