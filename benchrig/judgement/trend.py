"""Does a reading drift? What a watched series does over minutes to hours: warm-up, steps, excursions, and what is left.

Rule 1. A drift is claimed last. Warm-up (an exponential approach), steps and short excursions are looked for first, in
        one linear model with the slope, so that none of them passes for drift. A warm-up shows by its bend: in a record
        much shorter than its time constant nothing can tell it from drift, and it is called that.
Rule 2. An excursion leaves the level and is back within `LONGEST_EXCURSION` readings; what stays longer is a step.
Rule 3. Candidates are taken in greedily as if the noise were white, then thrown out again unless they stand against the
        correlation that is left when they are in. So wander is not cut up into steps.
Rule 4. Each kind has a chance of about `FALSE_ALARM` to be seen in a series that holds none.

Cost O(n) per candidate; meant for up to some hundred thousand readings. For longer watches see `watch`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .fit import Linear, search_rate, solve
from .series import Floats, checked_series, correlation_inflation, quantum, robust_spread, step_noise
from .uncertainty import TWO_SIGMA, coverage_factor, student_t

LONGEST_EXCURSION = 5
FALSE_ALARM = 0.01
MOST_STEPS = 20
LEAST_READINGS = 3
_LEAST_FOR_EVENTS = 2 * (LONGEST_EXCURSION + 1)  # a level on either side
_END = 3  # readings at either end whose median stands for where the series was going
_LEAST_FOR_WARM_UP = 20


@dataclass(frozen=True, slots=True)
class Excursion:
    """A short trip away from the level and back: a dip, a spike, an outlier. `size` is the farthest, signed."""

    start: float
    stop: float
    size: float
    readings: int


@dataclass(frozen=True, slots=True)
class Drift:
    """What a series does. Slopes are in unit per second, times in seconds of the series' own clock.

    slope, slope_uncertainty  what is left beside warm-up, steps and excursions; a standard uncertainty that counts
                              correlated readings as the fewer that they are worth; `dof` says how well it is known
    steps, step_sizes         times of the first reading after each lasting change, and the changes
    warm_up_tau               seconds, None where no warm-up is seen; `warm_up_size` is first minus settled value
    excursions                short trips, in order of time
    noise                     standard deviation of the readings about all of this
    inflation                 variance of a mean over that of independent readings; 1 for white noise
    start, stop               times of the first and the last reading
    """

    slope: float
    slope_uncertainty: float
    dof: float
    steps: tuple[float, ...]
    step_sizes: tuple[float, ...]
    warm_up_tau: float | None
    warm_up_tau_uncertainty: float | None
    warm_up_size: float
    excursions: tuple[Excursion, ...]
    noise: float
    inflation: float
    start: float
    stop: float

    @property
    def warming(self) -> float:
        """What a warm-up still moves at the last reading, unit per second; 0 without one."""
        if self.warm_up_tau is None:
            return 0.0
        return -self.warm_up_size / self.warm_up_tau * math.exp(-(self.stop - self.start) / self.warm_up_tau)

    @property
    def drifting(self) -> bool:
        """True if the slope is beyond what chance gives in 1 of 20 series."""
        return abs(self.slope) > coverage_factor(TWO_SIGMA, self.dof) * self.slope_uncertainty

    @property
    def fastest(self) -> float:
        """How fast the readings may move at the end, unit per second: slope, warm-up, uncertainty (95 %, Student)."""
        uncertainty = coverage_factor(TWO_SIGMA, self.dof) * self.slope_uncertainty
        return abs(self.slope) + abs(self.warming) + uncertainty

    def below(self, limit: float) -> bool:
        """True if the readings surely move slower than `limit` (unit per second): what "stable" is taken to mean."""
        return self.fastest < limit

    def warm_by(self, tolerance: float) -> float:
        """Time at which the warm-up has come within `tolerance` (unit of the readings) of its end."""
        if self.warm_up_tau is None:
            return self.start
        return self.start + self.warm_up_tau * math.log(max(1.0, abs(self.warm_up_size) / tolerance))


@dataclass(frozen=True, slots=True)
class _Model:
    """Which terms are in: indices of steps (in rising order) and the warm-up's time constant."""

    steps: tuple[int, ...] = ()
    tau: float | None = None

    def design(self, when: Floats) -> Floats:
        """Columns: 1, time, warm-up if any, one per step; shape (n, k). `when` starts at 0."""
        columns = [np.ones_like(when), when]
        if self.tau is not None:
            columns.append(np.exp(-when / self.tau))
        columns.extend((np.arange(when.size) >= i).astype(np.float64) for i in self.steps)
        return np.column_stack(columns)

    @property
    def first_step(self) -> int:
        """Column of the first step."""
        return 2 if self.tau is None else 3


def drift(times: ArrayLike, values: ArrayLike) -> Drift:
    """What a series of readings does over time.

    `times` (s, rising) and `values` have shape (n,), n >= 3; excursions and steps are looked for from 12 readings on,
    a warm-up from 20. Spacing should be even; correlation is counted in readings. Raises `SeriesError` for too few,
    unequal lengths, a value that is not finite, or times that do not rise.
    """
    when, series = checked_series(times, values, LEAST_READINGS)
    level = float(np.median(series))
    away = series - level
    short, kept = find_excursions(when, away)
    used, rest = when[kept] - when[0], away[kept]
    # A perfect series has no noise at all; what a double cannot hold is the least that is assumed.
    floor = max(4.0 * float(np.finfo(np.float64).eps) * float(np.abs(series).max()), 1e-150)
    model = _prune(used, rest, _grow(used, rest, floor), floor)
    return replace(_described(used, rest, model, (float(when[0]), float(when[-1])), floor), excursions=short)


def find_excursions(when: Floats, values: Floats) -> tuple[tuple[Excursion, ...], NDArray[np.bool_]]:
    """Short trips from the running median, and a mask of shape (n,) of the readings that belong to none."""
    n, reach = values.size, LONGEST_EXCURSION
    if n < _LEAST_FOR_EVENTS:
        return (), np.ones(n, dtype=np.bool_)
    padded = np.concatenate((_beyond(values[::-1])[::-1], values, _beyond(values)))
    away = values - np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1), axis=1)
    # Where a reading is the median itself `away` is exactly 0: that says nothing about the spread.
    moved = away[away != 0.0]
    spread = max(robust_spread(moved if moved.size > n // 2 else away), step_noise(values), 0.5 * quantum(values))
    # A median deviation has about 0.37 of the degrees of freedom of a standard deviation.
    out = np.abs(away) > student_t(1.0 - FALSE_ALARM / (2.0 * n), 0.37 * n) * spread
    runs = [run for run in _runs(out) if run[1] - run[0] <= reach]
    kept = np.ones(n, dtype=np.bool_)
    for start, stop in runs:
        kept[start:stop] = False
    return tuple(_excursion(when, away, start, stop) for start, stop in runs), kept


def _beyond(values: Floats) -> Floats:
    """How a series may go on for `LONGEST_EXCURSION` readings: its own end turned about the median of the last three.

    Turned about the last reading alone, a wild one would be its own surroundings. A slope goes on in both, and more
    than three would cut off the bend of a warm-up that has just begun.
    """
    turned = values[-_END - LONGEST_EXCURSION : -_END][::-1]
    return np.asarray(2.0 * np.median(values[-_END:]) - turned, dtype=np.float64)


def _excursion(when: Floats, away: Floats, start: int, stop: int) -> Excursion:
    farthest = start + int(np.argmax(np.abs(away[start:stop])))
    return Excursion(float(when[start]), float(when[stop - 1]), float(away[farthest]), stop - start)


def _runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """(start, stop) of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return [(int(edges[i]), int(edges[i + 1])) for i in range(0, edges.size, 2)]


def _sure(trials: int) -> float:
    """Standard deviations that normal noise exceeds in `trials` looks with a chance of FALSE_ALARM altogether."""
    return NormalDist().inv_cdf(1.0 - FALSE_ALARM / (2.0 * trials))


def _grow(when: Floats, values: Floats, floor: float) -> _Model:
    """Take in the best candidate again and again, as long as it would be sure against white noise."""
    model, n = _Model(), values.size
    if n < _LEAST_FOR_EVENTS:
        return model
    needed = _sure(n) ** 2
    while len(model.steps) < MOST_STEPS:
        basis, _ = np.linalg.qr(model.design(when))
        residuals = values - basis @ (basis.T @ values)
        energy = float(residuals @ residuals)
        gain, grown = max(_candidates(when, values, model, basis, residuals), key=lambda c: c[0])
        left = max(energy - gain, 0.0) / (n - basis.shape[1] - 1) + floor**2
        if not gain / left > needed:
            return model
        model = _retuned(when, values, grown)
    return model


def _candidates(
    when: Floats, values: Floats, model: _Model, basis: Floats, residuals: Floats
) -> Iterator[tuple[float, _Model]]:
    """(fall of the squared residuals, model) for the best further step, and for a warm-up where none is in."""
    gains = _step_gains(basis, residuals, model.steps)
    best = int(np.argmax(gains))
    yield float(gains[best]), replace(model, steps=tuple(sorted((*model.steps, best))))
    if model.tau is None and values.size >= _LEAST_FOR_WARM_UP:
        tau = _best_tau(when, values, model)
        decay = np.exp(-when / tau)
        decay -= basis @ (basis.T @ decay)
        yield float(decay @ residuals) ** 2 / max(float(decay @ decay), 1e-300), replace(model, tau=tau)


def _step_gains(basis: Floats, residuals: Floats, present: tuple[int, ...]) -> Floats:
    """Fall of the squared residuals by one more step before each reading, shape (n,), in one pass.

    A step column is 1 from i on; its products with all else are sums from the end.
    """
    n, apart = residuals.size, LONGEST_EXCURSION + 1
    along = np.cumsum(residuals[::-1])[::-1]
    explained = np.cumsum(basis[::-1], axis=0)[::-1]
    length = np.arange(n, 0, -1) - np.einsum("ij,ij->i", explained, explained)
    gains = along**2 / np.maximum(length, 1e-9 * n)  # beside a long pause the line alone can make a step there
    gains[:apart] = 0.0
    gains[n - apart + 1 :] = 0.0
    for i in present:
        gains[i - apart + 1 : i + apart] = 0.0
    return np.asarray(gains, dtype=np.float64)


def _best_tau(when: Floats, values: Floats, model: _Model) -> float:
    """Time constant of least squares: from two readings to three times the record."""
    basis, _ = np.linalg.qr(replace(model, tau=None).design(when))

    def cost(rate: float) -> float:
        decay = np.exp(-when * rate)
        decay -= basis @ (basis.T @ decay)  # at right angles to all else, so it does not see what else the values hold
        return -(float(decay @ values) ** 2) / max(float(decay @ decay), 1e-12 * when.size)

    span = float(when[-1])
    return 1.0 / search_rate(cost, 1.0 / (3.0 * span), 0.5 * (when.size - 1) / span)


def _retuned(when: Floats, values: Floats, model: _Model) -> _Model:
    return model if model.tau is None else replace(model, tau=_best_tau(when, values, model))


def _prune(when: Floats, values: Floats, model: _Model, floor: float) -> _Model:
    """Throw out the least sure term until all stand against the correlation that they leave behind."""
    needed = _sure(values.size)
    while model.steps or model.tau is not None:
        sure = _sureness(model, solve(model.design(when), values), floor)
        weakest = int(np.argmin(sure))
        if sure[weakest] >= needed:
            break
        model = _retuned(when, values, _without(model, weakest))
    return model


def _sureness(model: _Model, found: Linear, floor: float) -> list[float]:
    """Standard uncertainties by which each term after the line stands out; for a step also against its surroundings."""
    inflated = math.sqrt(correlation_inflation(found.residuals, found.coefficients.size))
    sure = [
        abs(float(found.coefficients[i])) / (inflated * found.uncertainty(i) + floor)
        for i in range(2, found.coefficients.size)
    ]
    for term, at in enumerate(model.steps, model.first_step):
        with_step = found.residuals.copy()
        with_step[at:] += found.coefficients[term]
        # The odds are settled by the first figure; the second only has to tell a step from wander.
        sure[term - 2] = min(sure[term - 2], _abruptness(with_step, at, floor) / 0.75)
    return sure


def _abruptness(values: Floats, at: int, floor: float) -> float:
    """How far the change of level at one place stands out from the changes everywhere, over the best window.

    Wander changes as much in other places; a step does not. Endless for a record too short to tell.
    """
    n, window, best = values.size, LONGEST_EXCURSION + 1, math.inf
    sums = np.concatenate(([0.0], np.cumsum(values)))
    while window <= n // 16:
        change = sums[2 * window :] - 2.0 * sums[window:-window] + sums[: -2 * window]  # of the sum in the window
        here = float(change[min(max(at - window, 0), change.size - 1)])
        # The step itself is in an eighth of the changes at most: too few for a median.
        stands_out = abs(here) / (robust_spread(change) + floor)
        best = stands_out if math.isinf(best) else max(best, stands_out)
        window *= 2
    return best


def _without(model: _Model, term: int) -> _Model:
    """The model without its term number `term`, counted as in the design from the third column on."""
    if model.tau is not None and term == 0:
        return replace(model, tau=None)
    gone = term - (model.first_step - 2)
    return replace(model, steps=model.steps[:gone] + model.steps[gone + 1 :])


def _described(when: Floats, values: Floats, model: _Model, span: tuple[float, float], floor: float) -> Drift:
    start, stop = span
    found = solve(model.design(when), values)
    inflation = correlation_inflation(found.residuals, found.coefficients.size)
    whole = found if model.tau is None else _with_bend(when, values, model, found)
    first = model.first_step
    size = 0.0 if model.tau is None else float(found.coefficients[2])
    # A perfect series still has the digits of its doubles, and a warm-up those of the search for its time constant.
    least = max(floor, 1e-7 * abs(size)) / float(when[-1])
    return Drift(
        slope=float(found.coefficients[1]),
        slope_uncertainty=math.hypot(whole.uncertainty(1) * math.sqrt(inflation), least),
        dof=max(1.0, whole.dof / inflation),
        steps=tuple(float(when[i]) + start for i in model.steps),
        step_sizes=tuple(float(c) for c in found.coefficients[first:]),
        warm_up_tau=model.tau,
        warm_up_tau_uncertainty=None if model.tau is None else whole.uncertainty(-1) * math.sqrt(inflation),
        warm_up_size=size,
        excursions=(),
        noise=found.spread,
        inflation=inflation,
        start=start,
        stop=stop,
    )


def _with_bend(when: Floats, values: Floats, model: _Model, found: Linear) -> Linear:
    """The fit with a free time constant, so that its uncertainty reaches the slope's; tau is the last column."""
    assert model.tau is not None
    decay = np.exp(-when / model.tau)
    bend = float(found.coefficients[2]) * decay * when / model.tau**2
    return solve(np.column_stack((model.design(when), bend)), values)
