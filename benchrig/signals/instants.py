"""When an edge passes the mid level, to a small part of a sample.

Rules of this module:

- The start is linear interpolation between the samples that bracket the mid level; where noise makes several
  crossings within one transition, their mean, which symmetric noise does not bias.
- Then a polynomial is fitted to the samples around it, over about 64 % of the edge, with the lowest order that the
  record does not contradict; where even the fifth order bends too little, over half as many samples, and so on. A ramp
  is fitted with a line, which comes within 1.2 times the Cramer-Rao bound (sigma/A) sqrt(h Tr).
- All edges of one direction are fitted alike, so what one edge hides in noise, many show. A bend that stays below the
  limit is left out of the curve and put into the uncertainty, as common to all edges.
- Edges of less than about four samples are left to interpolation, and their uncertainty says so.

Times are in samples here, counted from the first sample of the record.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray

from .states import States
from .transitions import Transitions
from .waveform import Waveform

_BLOCK = 1 << 18
_LONGEST = 1 << 12
# Half the fitted window, in edge lengths A / slope: 64 % of a ramp, and clear of the corner where a single pole begins,
# 0.347 before its middle.
_SHARE = 0.32
_TOP_ORDER = 5
_RESOLVED = 1.9  # samples
_PLENTY = 4  # samples to either side of the middle, from which the fit's own check finds every bend
_CUBIC = 0.3


@dataclass(frozen=True, slots=True)
class Instants:
    """Mid instants of the edges of one direction.

    times     shape (m,), in samples
    spread    standard uncertainty of one of them from noise, independent from edge to edge, in samples
    shape     standard uncertainty from too few samples on the edge, not known to be independent, in samples
    bend      standard uncertainty from the bend that the fitted curve leaves out, common to all, in samples
    slope     volts per sample at the mid level, > 0
    resolved  False if the edges are too fast for the sample interval
    """

    times: NDArray[np.float64]
    spread: float
    shape: float
    bend: float
    slope: float
    resolved: bool


def crossings(waveform: Waveform, transitions: Transitions, level: float) -> NDArray[np.float64]:
    """Mean crossing of `level` (V) within each transition, by linear interpolation; shape (n,), in samples."""
    times = np.empty(len(transitions))
    spans = transitions.first - transitions.last
    order = np.argsort(spans, kind="stable")
    done = 0
    while done < order.size:
        # Edges of similar length share one rectangle of samples; the longest of the rectangle sets its width.
        room = np.arange(1, order.size - done + 1) * np.minimum(spans[order[done:]] + 1, _LONGEST)
        take = max(1, int(np.searchsorted(room, _BLOCK, side="right")))
        rows = order[done : done + take]
        times[rows] = _mean_crossings(waveform, transitions.last[rows], spans[rows], level)
        done += take
    return times


def _mean_crossings(
    waveform: Waveform, last: NDArray[np.int64], spans: NDArray[np.int64], level: float
) -> NDArray[np.float64]:
    stride = np.maximum(1, -(-spans // (_LONGEST - 1)))[:, None]
    steps = np.arange(int(np.max(-(-spans // stride[:, 0]))) + 1)[None, :] * stride
    index = last[:, None] + np.minimum(steps, spans[:, None])
    above = waveform.samples[index] * waveform.scale + (waveform.offset - level)
    left, right = above[:, :-1], above[:, 1:]
    crosses = (left < 0.0) != (right < 0.0)
    gap = np.where(crosses, right - left, 1.0)
    times = index[:, :-1] - np.where(crosses, left / gap, 0.0) * np.diff(index, axis=1)
    count: NDArray[np.int64] = crosses.sum(axis=1)
    mean = np.where(crosses, times, 0.0).sum(axis=1) / np.maximum(count, 1)
    # Both ends on one side of the level: it is not where the states of this edge are. Half-way is as good as any place.
    return np.asarray(np.where(count > 0, mean, last + 0.5 * spans))


def windows(waveform: Waveform, centres: NDArray[np.int64], half: int) -> NDArray[np.float64]:
    """Volts of the 2 * half + 1 samples around each centre; shape (m, 2 * half + 1)."""
    index = centres[:, None] + np.arange(-half, half + 1)[None, :]
    return np.asarray(waveform.samples[index] * waveform.scale + waveform.offset)


def slope_at(waveform: Waveform, times: NDArray[np.float64], spans: NDArray[np.int64], amplitude: float) -> float:
    """Mean steepness of edges at their mid instants, in volts per sample, > 0."""
    half = max(1, int(0.25 * np.median(spans)))
    for _ in range(3):
        steep = _line_slope(waveform, times, half)
        better = max(1, int(_SHARE * amplitude / max(steep, 1e-300)))
        if better >= half:
            break
        half = better
    # None to be seen (an edge at an end of the record): as steep as its way from state to state.
    return steep if steep > 0.0 else 0.8 * amplitude / max(float(np.median(spans)), 1.0)


def _line_slope(waveform: Waveform, times: NDArray[np.float64], half: int) -> float:
    some = times[:: max(1, times.size * (2 * half + 1) // _BLOCK)]
    centres = np.clip(np.rint(some).astype(np.int64), half, len(waveform) - 1 - half)
    if centres.min() < half:
        return 0.0
    mean = windows(waveform, centres, half).mean(axis=0)
    place = np.arange(-half, half + 1.0)
    return abs(float(np.dot(place, mean) / np.dot(place, place)))


def refine(
    waveform: Waveform, times: NDArray[np.float64], spans: NDArray[np.int64], slope: float, states: States
) -> Instants:
    """Mid instants of the edges of one direction, from rough ones.

    spans  samples from the last in one state to the first in the other, shape (m,)
    slope  volts per sample at the mid level
    """
    length = states.amplitude / slope if slope > 0.0 else np.inf
    half = int(
        min(_SHARE * length, _LONGEST, times.min(initial=np.inf), len(waveform) - 1 - times.max(initial=0.0)) - 0.5
    )
    noise = max(states.noise, 1e-9 * states.amplitude)
    if length < 4.2 or half < 1:
        return _unrefined(times, spans, noise, states)
    while True:
        fit = _Fit.of(waveform, times, half, noise, states.amplitude)
        if fit.good or half == 1:
            return fit.solve(times, states.at(0.5), noise, states.correlation)
        half = max(1, half // 2)


def _unrefined(times: NDArray[np.float64], spans: NDArray[np.int64], noise: float, states: States) -> Instants:
    """Interpolated instants as they are, for edges of a few samples.

    A ramp that takes d samples spans 1 + 0.8 d of them from 10 % to 90 % on average. Where d is below 1.5, a corner
    between the bracketing samples shifts the instant; at 0 it is uniform within a sample. Fitted to simulated ramps.
    """
    length = max(0.0, (float(spans.mean()) - 1.0) / 0.8)
    shape = max(0.0, 1.0 - length / 1.5) ** 1.3 / np.sqrt(12.0)
    shape = max(shape, 0.1 / max(length, 1.0) ** 2)  # a curved edge, of which a chord is taken
    slope = states.amplitude / max(length, 1.0)
    return Instants(times, 0.8165 * noise / slope, float(shape), 0.0, slope, length >= _RESOLVED)


@dataclass(frozen=True, slots=True)
class _Fit:
    """Legendre coefficients of the samples around each edge: shape (m, order + 1), over `half` samples to each side."""

    coefficients: NDArray[np.float64]
    centres: NDArray[np.int64]
    half: int
    good: bool
    left_out: float  # volts in the middle
    swing: float  # amplitude of the whole edge, V

    @classmethod
    def of(cls, waveform: Waveform, times: NDArray[np.float64], half: int, noise: float, swing: float) -> _Fit:
        centres = np.rint(times).astype(np.int64)
        top = min(_TOP_ORDER + 3, 2 * half)
        basis, solver = _basis(half, top)
        rows = max(1, _BLOCK // (2 * half + 1))
        coefficients = np.concatenate(
            [windows(waveform, centres[k : k + rows], half) @ solver.T for k in range(0, centres.size, rows)]
        )
        error = noise * np.sqrt((solver * solver).sum(axis=1) / times.size)
        mean = coefficients.mean(axis=0)
        order, good = _order(np.abs(mean) / error, top)
        left_out = _left_out(mean, error, order)
        # The same polynomial again with only the orders that are needed: Legendre's are not quite orthogonal here.
        change = _basis(half, order)[1] @ basis
        return cls(np.asarray(coefficients @ change.T, dtype=np.float64), centres, half, good, left_out, swing)

    def solve(self, times: NDArray[np.float64], level: float, noise: float, correlation: float) -> Instants:
        """Where the fitted curves pass `level`, by Newton's method from the middle."""
        order = self.coefficients.shape[1] - 1
        steep = np.asarray(legendre.legder(self.coefficients.T), dtype=np.float64)
        place = np.clip((times - self.centres) / self.half, -1.0, 1.0)
        for _ in range(8):
            value = _curve(self.coefficients.T, place) - level
            rate = _curve(steep, place)
            move = np.where(np.abs(rate) > 0.0, value / np.where(rate == 0.0, 1.0, rate), 0.0)
            place = np.clip(place - move, -1.0, 1.0)
            if np.abs(move).max() < 1e-9:
                break
        slope = abs(float(np.mean(_curve(steep, place)))) / self.half
        spread = noise * _gain(self.half, order, correlation) / slope
        bend = self.left_out / slope
        return Instants(
            self.centres + place * self.half, spread, hidden_in_few(self.half, self.swing / slope), bend, slope, True
        )


def hidden_in_few(half: float, length: float) -> float:
    """What a curve through few samples (`half` to either side) of an edge of `length` hides, in samples: the cubic part
    of a raised cosine at three samples, less with more of them (closed form, rounded up; measured on simulated edges).
    """
    return 0.0 if half >= _PLENTY else _CUBIC / (length * length * half)


def _curve(coefficients: NDArray[np.float64], place: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(legendre.legval(place, coefficients, tensor=False), dtype=np.float64)


@lru_cache(maxsize=64)
def _basis(half: int, order: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Legendre polynomials on the samples around a middle, and the solver of least squares by them."""
    basis = np.asarray(legendre.legvander(np.arange(-half, half + 1.0) / half, order), dtype=np.float64)
    return basis, np.asarray(np.linalg.pinv(basis))


def _order(significance: NDArray[np.float64], top: int) -> tuple[int, bool]:
    """Lowest of the orders 1, 3, 5 above which nothing stands out, and whether there is one."""
    if top == 2:
        return (2 if significance[2] > 2.0 else 1), True
    for order in range(1, min(_TOP_ORDER, top) + 1, 2):
        above = significance[order + 1 :]
        # Even orders move the middle, odd ones hardly.
        if not above.size or (np.all(above[0::2] < 2.5) and np.all(above[1::2] < 3.5)):
            return order, True
    return min(_TOP_ORDER, top), False


def _left_out(mean: NDArray[np.float64], error: NDArray[np.float64], order: int) -> float:
    """Volts by which the next even term, measured but not used, would move the middle of the curve.

    Its square less what noise alone gives it, so that edges without such a term are not blamed for their noise.
    """
    after = order + 1
    if after >= mean.size:
        return 0.0
    term = float(np.sqrt(max(float(mean[after]) ** 2 - float(error[after]) ** 2, 0.0)))
    return term * abs(float(legendre.legval(0.0, np.eye(after + 1)[after])))


def _gain(half: int, order: int, correlation: float) -> float:
    """Standard deviation of the fitted value in the middle of the window, for noise of standard deviation 1."""
    weights = _basis(half, order)[1].T @ legendre.legvander(np.zeros(1), order)[0]
    variance = float(np.dot(weights, weights))
    for lag in range(1, min(weights.size, 64) if correlation > 0.0 else 1):
        variance += 2.0 * correlation**lag * float(np.dot(weights[lag:], weights[:-lag]))
    return float(np.sqrt(max(variance, 0.0)))
