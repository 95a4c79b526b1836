"""Where a watch begins, learns, and ends: what happens just there is told all the same, and nothing else is."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter

from benchrig.judgement.trend import Excursion
from benchrig.judgement.watch import BLOCK, LEARN, DriftWatch, Event, LevelStep

Floats = NDArray[np.float64]
INTERVAL = 0.1


def noise(count: int, seed: int = 1, sigma: float = 0.01, level: float = 5.0) -> Floats:
    return level + sigma * np.random.default_rng(seed).normal(size=count)


def feed(watch: DriftWatch, values: Floats) -> tuple[Event, ...]:
    return watch.update_many(INTERVAL * np.arange(values.size), values)


def _start(event: Event) -> float:
    return event.start if isinstance(event, Excursion) else event.time


def test_a_watch_that_ends_while_learning_still_tells_its_dips():
    """Five minutes at a reading a second; a step in so few is not told, and nothing from hardly any."""
    rng = np.random.default_rng(21)
    values = 12.0 + 1e-3 * rng.standard_normal(300)
    values[200] -= 0.5
    watch = DriftWatch(300.0, 0.01)
    assert watch.update_many(np.arange(300.0), values) == ()
    (dip,) = watch.finish()
    assert dip.start == 200.0
    assert dip.size == pytest.approx(-0.5, abs=0.01)
    few = DriftWatch(100.0, 0.01)
    few.update_many(np.arange(100.0), values[150:250])
    assert few.finish() == ()


def test_a_short_watch_of_noise_tells_nothing():
    """The chance asked for, over many short ones."""
    told = 0
    for seed in range(300):
        watch = DriftWatch(400.0, 0.05)
        watch.update_many(np.arange(400.0), np.random.default_rng(seed).standard_normal(400))
        told += len(watch.finish())
    assert told <= 60


@pytest.mark.parametrize(("readings", "told"), [(255, 0), (256, 1)])
def test_a_watch_speaks_from_256_readings_on(readings: int, told: int) -> None:
    """Fewer know too little of their noise."""
    values = noise(readings)
    values[200] -= 0.5
    watch = DriftWatch(300.0, 0.01)
    watch.update_many(np.arange(float(readings)), values)
    assert len(watch.finish()) == told


def test_a_watch_that_ends_in_a_dip_tells_it_once() -> None:
    """Whether it would have come back, nobody knows; that it was away must not be lost."""
    values = noise(5000)
    values[-2:] -= 1.0
    watch = DriftWatch(1e6)
    assert feed(watch, values) == ()
    [dip] = watch.finish()
    assert isinstance(dip, Excursion)
    assert (dip.start, dip.stop, dip.readings) == (pytest.approx(499.8), pytest.approx(499.9), 2)
    assert watch.finish() == ()


def test_a_watch_that_ends_soon_after_a_step_still_tells_its_dips() -> None:
    """The noise is known from before the step; forty readings later a dip is none less."""
    values = noise(3100)
    values[3000:] += 1.0
    values[3040] -= 0.5
    watch = DriftWatch(1e6)
    assert [type(event) for event in feed(watch, values)] == [LevelStep]
    [dip] = watch.finish()
    assert isinstance(dip, Excursion)
    assert (dip.start, dip.size) == (pytest.approx(304.0), pytest.approx(-0.5, abs=0.05))


def test_a_watch_that_ends_soon_after_two_steps_still_tells_the_dip_after_both() -> None:
    """The second step stands in the readings that are learnt from after the first."""
    values = noise(3100)
    values[3000:] += 1.0
    values[3050:] += 1.0
    values[3080] -= 0.5
    watch = DriftWatch(1e6)
    assert [type(event) for event in feed(watch, values)] == [LevelStep]
    [dip] = watch.finish()
    assert isinstance(dip, Excursion)
    assert (dip.start, dip.size) == (pytest.approx(308.0), pytest.approx(-0.5, abs=0.05))
    assert watch.finish() == ()


@pytest.mark.parametrize("size", [1.0, 2e-11])
@pytest.mark.parametrize(("late", "told"), [(0, [3000.0]), (-1, [])])
def test_the_allowance_ends_with_its_last_second(size: float, late: int, told: list[float]) -> None:
    """A step, large or small, in the very reading that is no longer allowed to move is told; one before is not."""
    values = np.full(4000, 5.0)
    values[3000 + late :] += size
    watch = DriftWatch(1e6, warm_up=3000.0)
    found = watch.update_many(np.arange(4000.0), values)
    assert [event.time for event in found if isinstance(event, LevelStep)] == told


def test_noise_that_becomes_less_is_followed() -> None:
    """A tenth of the noise that was learnt: a dip and a small step of what was its size before are found then."""
    values = noise(60_000, sigma=0.005)
    values[:3000] = noise(3000, seed=2, sigma=0.05)
    values[50_000] -= 0.08
    values[55_000:] += 0.015
    found = feed(DriftWatch(1e6), values)
    assert [type(event) for event in found] == [Excursion, LevelStep]
    assert [_start(event) for event in found] == pytest.approx([5000.0, 5500.0], abs=1.0)


def test_a_level_that_runs_after_a_drift_widens_nothing() -> None:
    """A drift of 5 % of the noise per block keeps the level a little behind; a step of twice the noise still shows
    within a dozen readings, as Siegmund's h / (size - k) has it for the noise alone.
    """
    values = noise(10_012) + 0.01 * 0.05 / BLOCK * np.arange(10_012)
    values[10_000:] += 0.02
    [step] = feed(DriftWatch(1e5), values)
    assert _start(step) == pytest.approx(1000.0, abs=0.6)


def test_after_a_step_the_noise_is_still_known() -> None:
    """Readings that hang together: a hundred of them after a step would seem far quieter than they are."""
    drawn = np.random.default_rng(9).normal(size=40_000)
    values = 5.0 + np.asarray(lfilter([0.01], [1.0, -0.9], drawn))
    values[10_000:] += 1.0
    values[20_000:] -= 1.0
    found = feed(DriftWatch(1e6), values)
    assert [(type(event), _start(event)) for event in found] == [(LevelStep, 1000.0), (LevelStep, 2000.0)]


def test_a_level_that_moves_while_learning_hides_no_dip_and_no_step() -> None:
    """A ramp of twenty spreads in the first readings; the dip of ten soon after it stands out all the same."""
    values = noise(3000) + 0.2 * np.minimum(np.arange(3000) / LEARN, 1.0)
    values[1500] -= 0.1
    assert [_start(event) for event in feed(DriftWatch(1e5, warm_up=200.0), values)] == [150.0]


def test_a_small_step_soon_after_learning_is_found() -> None:
    """The spread of block means that was learnt is that of the readings, for white noise."""
    values = noise(3000, seed=5)
    values[1500:] += 0.02
    [step] = feed(DriftWatch(1e5), values)
    assert _start(step) == pytest.approx(150.0, abs=1.0)


@pytest.mark.parametrize("size", [-0.03, 0.03])
def test_a_small_step_either_way_is_found_in_a_batch(size: float) -> None:
    """No reading of it is a dip by itself: only the sums tell, one for each way."""
    values = noise(4000, seed=3)
    values[2000:] += size
    [step] = feed(DriftWatch(1e5), values)
    assert (_start(step), step.size) == (pytest.approx(200.0, abs=1.0), pytest.approx(size, abs=0.015))


@pytest.mark.parametrize("sigmas", [-0.2, 0.08, 0.2])
@pytest.mark.parametrize(("begins", "told"), [(0, 0), (9000, 1)])
def test_a_drift_is_no_string_of_steps(sigmas: float, begins: int, told: int) -> None:
    """So many spreads per block, where a level that follows by a tenth of what it is off would be left behind by ten
    times that: no step where the drift is there from the first reading on, one where it begins later. The trend has it.
    """
    times = INTERVAL * np.arange(30_000)
    for seed in range(4):
        values = noise(30_000, seed) + sigmas * 0.01 / BLOCK * np.maximum(np.arange(30_000) - begins, 0)
        watch = DriftWatch(1e6)
        assert len(watch.update_many(times, values)) <= told
        assert watch.trend().drifting


def test_the_first_verdict_comes_with_the_last_reading_to_learn_from() -> None:
    """The dip is a hundred readings old by then; it is told once."""
    values, watch = noise(LEARN), DriftWatch(1e6)
    values[900] -= 1.0
    assert feed(watch, values[:-1]) == ()
    [dip] = watch.update(INTERVAL * LEARN, float(values[-1]))
    assert _start(dip) == pytest.approx(90.0)


def test_a_dip_across_the_end_of_a_batch_is_told_by_the_next() -> None:
    """It is over with the first reading of a quiet batch, and told then, not when something else happens."""
    values, watch = noise(4000), DriftWatch(1e6)
    values[2998:3001] -= 1.0
    assert feed(watch, values[:3000]) == ()
    [dip] = watch.update_many(INTERVAL * np.arange(3000, 3100), values[3000:3100])
    assert isinstance(dip, Excursion)
    assert (dip.readings, dip.stop) == (3, pytest.approx(300.0))


@pytest.mark.parametrize("level", [5.0, -5.0, 1e6, -1e-6])
def test_the_last_digit_of_a_double_is_no_event(level: float) -> None:
    """A perfect level, one reading of it one rounding off, and one a billionth off, which is a dip."""
    values = np.full(4000, level)
    values[2000] = np.nextafter(level, 0.0)
    values[3000] *= 1.0 + 1e-9
    assert [_start(event) for event in feed(DriftWatch(1e6), values)] == pytest.approx([300.0])


class _Counting(DriftWatch):
    """Counts the readings that are taken one by one."""

    singly = 0

    def _take(self, time: float, value: float) -> Iterator[Event]:
        self.singly += 1
        return super()._take(time, value)


@pytest.mark.parametrize("level", [5.0, -5.0])
@pytest.mark.parametrize("slope", [0.0, 0.001])
def test_a_quiet_batch_is_taken_at_once(level: float, slope: float) -> None:
    """Not one reading of a quiet hour goes the slow way, nor on a slope of a tenth of the noise per block."""
    watch = _Counting(1e6)
    values = noise(40_000, level=level) + slope / BLOCK * np.arange(40_000)
    feed(watch, values[:4000])
    watch.singly = 0
    assert watch.update_many(INTERVAL * np.arange(4032, 39_872), values[4032:39_872]) == ()
    assert watch.singly == 0


def test_a_level_that_is_behind_a_new_drift_widens_nothing() -> None:
    """Where a drift of 5 % of the noise per block begins, the level is behind until the slope is known; a step of twice
    the noise in that time is still told within a dozen readings.
    """
    values = noise(12_000, seed=3) + 0.01 * 0.05 / BLOCK * np.maximum(np.arange(12_000) - 8000, 0)
    values[10_000:] += 0.02
    [step] = feed(DriftWatch(1e5), values[:10_012])
    assert _start(step) == pytest.approx(1000.0, abs=0.6)
