"""What a watch tells of readings that a person can reckon through: right to the reading, and to the last digit.

The noise here is no chance, but a row of eight that comes again and again. Its mean is zero; its root mean square is
one, and so is 1.4826 times its median magnitude. So the noise that is learnt is exactly one, and stays one.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import norm

from benchrig.judgement.trend import LONGEST_EXCURSION, Excursion
from benchrig.judgement.watch import DriftWatch, Event, LevelStep, cusum_threshold

Floats = NDArray[np.float64]
_MIDDLE = float(norm.ppf(0.75))  # half of what is normal lies within
_WIDE = math.sqrt((8.0 - 6.0 * _MIDDLE**2) / 2.0)
ROW = np.array([_MIDDLE, -_MIDDLE, _MIDDLE, -_MIDDLE, _MIDDLE, -_MIDDLE, _WIDE, -_WIDE])


def quiet(rows: int) -> Floats:
    return np.tile(ROW, rows)


def told(watch: DriftWatch, values: Floats) -> list[tuple[int, Event]]:
    """One reading a second, one by one: with each event the number of the reading it was told by."""
    return [(i, event) for i, value in enumerate(values.tolist()) for event in watch.update(float(i), value)]


def first_step(watch: DriftWatch, values: Floats) -> tuple[int, LevelStep]:
    """The first step, and the number of the reading it was told by."""
    return next((at, event) for at, event in told(watch, values) if isinstance(event, LevelStep))


@pytest.mark.parametrize("slack", [0.25, 0.5, 0.75])
@pytest.mark.parametrize("run_length", [4.0, 465.4, 1e7, 1e300])
def test_the_threshold_is_where_the_formula_has_this_run_length(run_length: float, slack: float) -> None:
    """Siegmund 1985, as textbooks print it: (exp(2 k b) - 2 k b - 1) / (2 k^2) on each side, b = h + 1.166."""
    exponent = 2.0 * slack * (cusum_threshold(run_length, slack) + 1.166)
    assert (math.exp(exponent) - exponent - 1.0) / (4.0 * slack**2) == pytest.approx(run_length, rel=1e-9)


def test_a_run_of_hardly_more_than_one_reading_needs_no_threshold() -> None:
    """The formula has 1.043 readings where the threshold is none."""
    assert cusum_threshold(1.04) == 0.0
    assert 0.0 < cusum_threshold(1.05) < 0.02


@pytest.mark.parametrize("sign", [-1.0, 1.0])
@pytest.mark.parametrize(("size", "readings"), [(1.5, 15), (2.5, 8), (4.0, 5), (4.8, 5)])
def test_a_step_is_told_when_its_sum_is_past_the_threshold(size: float, readings: int, sign: float) -> None:
    """One false alarm in 10^7 readings: h is 14.96, to which each reading adds its size less 0.5, but at most 3.5."""
    values = np.concatenate((sign * quiet(256), np.full(40, sign * size)))
    at, step = first_step(DriftWatch(1e6, 0.1), values)
    assert (at, step.time) == (2048 + readings - 1, 2048.0)
    assert step.size == pytest.approx(sign * size, rel=1e-9)


@pytest.mark.parametrize("sign", [-1.0, 1.0])
@pytest.mark.parametrize(("readings", "steps"), [(4, []), (5, [(0.0, 4.8)])])
def test_the_sums_begin_at_nothing(readings: int, steps: list[tuple[float, float]], sign: float) -> None:
    """The very first readings are high: four times 3.5 is below the threshold of 14.96, five times is above."""
    values = sign * quiet(160)
    values[:readings] = sign * 4.8
    values[[20, 22]] *= -1.0  # as many of the first block as before are above the level: it stays zero
    found = [event for _, event in told(DriftWatch(1e6, 0.1), values) if isinstance(event, LevelStep)]
    assert [(step.time, step.size) for step in found[:1]] == [(at, pytest.approx(sign * size)) for at, size in steps]


@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_a_sum_is_carried_from_batch_to_batch(sign: float) -> None:
    """Of counts of a half: 48 readings add 0.2 each and three add 1.85, in all 15.15 where the threshold is 14.96."""
    values = sign * np.concatenate((np.zeros(2048), np.full(48, 0.7), np.full(2, 2.35)))
    watch = DriftWatch(1e6, 0.1, resolution=0.5)
    for some in np.split(np.arange(2098), [2048, 2072, 2096]):
        assert watch.update_many(some, values[some]) == ()
    [step] = watch.update(2098.0, sign * 2.35)
    assert isinstance(step, LevelStep)
    assert (step.time, step.size) == (2048.0, pytest.approx(sign * (48 * 0.7 + 3 * 2.35) / 51.0))


def test_a_step_told_by_the_last_reading_of_a_block_is_told_in_a_batch_too() -> None:
    """Sixteen readings add 0.94 each, and the block of 64 is full with the sixteenth; the watch goes on after that."""
    values = np.concatenate((quiet(262), np.full(16, 1.44), 1.44 + quiet(200)))
    [step] = DriftWatch(1e6, 0.1).update_many(np.arange(values.size), values)
    assert isinstance(step, LevelStep)
    assert first_step(DriftWatch(1e6, 0.1), values) == (2111, step)
    assert (step.time, step.size) == (2096.0, pytest.approx(1.44))


def test_a_step_is_reckoned_in_two_counts_at_least() -> None:
    """A display that stands still, with counts of a half: each reading adds 1.5 less 0.5."""
    values = np.concatenate((np.zeros(2048), np.full(40, 1.5)))
    assert first_step(DriftWatch(1e6, 0.1, resolution=0.5), values)[0] == 2048 + 15 - 1


@pytest.mark.parametrize("sign", [-1.0, 1.0])
@pytest.mark.parametrize(("before", "begins"), [(0.5, 2112.0), (0.6, 2082.0)])
def test_a_step_begins_with_the_first_reading_that_adds_to_its_sum(before: float, begins: float, sign: float) -> None:
    """Half a spread is just what is taken off each: thirty such readings are no beginning, singly or in a batch."""
    values = sign * np.concatenate((np.zeros(2082), np.full(30, before), np.full(60, 3.0)))
    [step] = DriftWatch(1e6, 0.1, resolution=0.5).update_many(np.arange(values.size), values)
    _, singly = first_step(DriftWatch(1e6, 0.1, resolution=0.5), values)
    assert isinstance(step, LevelStep)
    assert step.time == singly.time == begins
    assert step.size == pytest.approx(singly.size, rel=1e-9)


def test_a_step_on_a_slope_is_as_large_in_a_batch() -> None:
    """The slope within a block is taken off in both ways: an eighth of the noise per block, then 4.9."""
    values = quiet(400) + 0.125 / 64.0 * np.arange(3200)
    values[2624:] += 4.9
    at, step = first_step(DriftWatch(4e6), values)
    [batched] = DriftWatch(4e6).update_many(np.arange(at + 1.0), values[: at + 1])
    assert isinstance(batched, LevelStep)
    assert (batched.time, batched.size) == (step.time, pytest.approx(step.size, rel=1e-9))
    assert (step.time, step.size) == (2624.0, pytest.approx(4.9 + ROW[:5].mean(), abs=0.2))


@pytest.mark.parametrize("phase", range(8))
def test_a_dip_is_as_deep_as_it_is_below_the_eight_readings_before(phase: int) -> None:
    """Those are one row, wherever it begins: their mean is zero. That of seven or of nine is not."""
    values = quiet(300)
    values[2000 + phase] = -9.0
    [(at, dip)] = told(DriftWatch(1e6), values)
    assert isinstance(dip, Excursion)
    assert (at, dip.start, dip.stop, dip.readings) == (2001 + phase, 2000.0 + phase, 2000.0 + phase, 1)
    assert dip.size == pytest.approx(-9.0, rel=1e-12)


@pytest.mark.parametrize(("above", "dips"), [(0.999, 0), (1.001, 1)])
@pytest.mark.parametrize(("readings", "alarms"), [(1e6, 0.1), (1e4, 2.0)])
def test_a_dip_is_further_than_the_noise_goes_so_often(readings: float, alarms: float, above: float, dips: int) -> None:
    """Either way, in normal noise, as often as was asked for: `alarms` in `readings`."""
    values = quiet(300)
    values[2000] = above * float(norm.isf(0.5 * alarms / readings))
    assert (
        len([event for _, event in told(DriftWatch(readings, alarms), values) if isinstance(event, Excursion)]) == dips
    )


@pytest.mark.parametrize(("above", "dips"), [(0.999, 0), (1.001, 1)])
@pytest.mark.parametrize("louder", [0.0, 0.5, 2.0])
def test_the_noise_of_dips_follows_by_a_fiftieth_of_its_square_with_each_block(
    louder: float, above: float, dips: int
) -> None:
    """One block of 64 readings so many times as loud; what counts is how far each is from the eight before it."""
    values = quiet(300)
    values[2048:2112] *= louder
    away = [values[i] - values[i - 8 : i].mean() for i in range(2048, 2112)]
    spread = math.sqrt(1.0 + 0.02 * (np.mean(np.square(away)) - 1.0))
    values[2112] = values[2104:2112].mean() + above * spread * float(norm.isf(0.5e-7))
    assert len([event for _, event in told(DriftWatch(1e6, 0.1), values) if isinstance(event, Excursion)]) == dips


@pytest.mark.parametrize("blocks", [1, 2, 3, 10, 33, 34, 35, 36, 37, 80])
def test_the_level_follows_like_a_straight_line_and_later_by_a_tenth(blocks: int) -> None:
    """So many blocks lie at nothing, the next at 0.3; a step is as large as it is above the level after that.

    What the last of n points moves the end of their line of least squares by, and, with three points more, its slope;
    but never less than 0.1 and 0.005.
    """
    values = np.concatenate((quiet(8 * blocks), quiet(8) + 0.3, quiet(200) + 4.9))
    level, slope = max(0.1, _last_moves(blocks + 2)[0]), max(0.005, _last_moves(blocks + 5)[1])
    at, step = first_step(DriftWatch(4e6), values)
    begins = 64 * (blocks + 1)
    assert step.time == begins
    assert at == max(begins + 4, 1023)
    expected = 4.9 + ROW[:5].mean() - 0.3 * (level + 2.0 / 64.0 * slope)
    assert step.size == pytest.approx(expected, rel=1e-9)


def _last_moves(points: int) -> tuple[float, float]:
    """(value at the last point, slope) of the line of least squares through zeros and, at the last point, one."""
    at = np.arange(points)
    slope, start = np.polyfit(at, at == points - 1, 1)
    return start + slope * (points - 1), slope


@pytest.mark.parametrize(("above", "steps"), [(0.998, []), (1.002, [64.0])])
def test_the_long_run_noise_is_learnt_from_the_medians_of_blocks(above: float, steps: list[float]) -> None:
    """Every second block lies 0.3 higher: of the differences of medians the spread is 0.3 / 0.6745.

    A median of 64 readings has pi / 2 times the variance of their mean, a difference twice that of one; a tenth more is
    taken, for these are few. A first block without any change takes a fiftieth away. Then nine readings are higher by
    what makes their sum just the threshold.
    """
    spread = math.sqrt(0.98 * 64.0 / math.pi) * 1.1 * 0.3 / _MIDDLE
    values = quiet(200)
    values += 0.3 * (np.arange(values.size) // 64 % 2)
    values[64:73] = above * spread * (cusum_threshold(1e7) / 9.0 + 0.5)
    assert [event.time for _, event in told(DriftWatch(1e6), values) if isinstance(event, LevelStep)] == steps


@pytest.mark.parametrize(("above", "steps"), [(0.998, []), (1.002, [1152.0])])
def test_the_long_run_noise_follows_by_a_fiftieth_of_its_square_with_each_block(
    above: float, steps: list[float]
) -> None:
    """A block two lower than all before: half the square of a difference of means, for each of 64 readings.

    Then so many readings are higher by what makes their sum just the threshold of 116.
    """
    spread = math.sqrt(0.02 * 0.5 * 64.0 * 2.0**2)
    level, slope = -2.0 * _last_moves(19)[0], -2.0 * _last_moves(22)[1]
    each = above * spread * (cusum_threshold(1e51) / 50.0 + 0.5)
    values = quiet(300)
    values[1088:1152] -= 2.0
    values[1152:1202] = level + slope / 64.0 * np.arange(50) + each
    assert [event.time for _, event in told(DriftWatch(1e50), values) if isinstance(event, LevelStep)] == steps


def test_after_a_step_the_next_verdict_comes_with_128_readings() -> None:
    """The step is told when it has lasted too long for a dip; what it is learnt from begins after that."""
    values = quiet(300)
    values[2048:] += 20.0
    values[2100] -= 9.0
    (at, step), (later, dip) = told(DriftWatch(1e6), values)
    assert isinstance(step, LevelStep)
    assert (at, step.time) == (2048 + LONGEST_EXCURSION, 2048.0)
    assert isinstance(dip, Excursion)
    assert (later, dip.start) == (at + 128, 2100.0)


@pytest.mark.parametrize(("readings", "dips"), [(7, 0), (8, 1)])
def test_a_watch_that_ends_after_a_step_knows_the_level_from_eight_readings(readings: int, dips: int) -> None:
    """The last of them is a dip."""
    values = quiet(300)
    values[2048:] += 20.0
    values[2053 + readings] -= 9.0
    watch = DriftWatch(1e6)
    [(at, _)] = told(watch, values[: 2054 + readings])
    assert at == 2053
    assert [(event.time if isinstance(event, LevelStep) else event.start) for event in watch.finish()] == [
        2053.0 + readings
    ] * dips
