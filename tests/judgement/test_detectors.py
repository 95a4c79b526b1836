"""Dips, steps and drift told while readings come: what is promised about false alarms, misses, memory and equality."""

from __future__ import annotations

import math
import os
import re
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.signal import lfilter

from benchrig.judgement.errors import SeriesError
from benchrig.judgement.trend import LONGEST_EXCURSION, Excursion
from benchrig.judgement.watch import BLOCK, LEARN, DriftWatch, Event, LevelStep, cusum_threshold

Floats = NDArray[np.float64]
HEAVY = os.environ.get("BENCHRIG_HEAVY") == "1"
INTERVAL = 0.1


def noise(count: int, seed: int = 1, sigma: float = 0.01, level: float = 5.0) -> Floats:
    return level + sigma * np.random.default_rng(seed).normal(size=count)


def feed(watch: DriftWatch, values: Floats, batch: int = 5000) -> list[Event]:
    times = INTERVAL * np.arange(values.size)
    found: list[Event] = []
    for start in range(0, values.size, batch):
        found += watch.update_many(times[start : start + batch], values[start : start + batch])
    return found


# Two-sided run lengths for k = 0.5: h = 4 and 5 are those that textbooks print, the source not read again;
# the others solve the integral equation of the run length (Page 1954) by Gauss-Legendre quadrature.
@pytest.mark.parametrize(
    ("run_length", "h"),
    [(167.7, 4.0), (465.4, 5.0), (370, 4.774), (1e4, 8.053), (1e5, 10.355), (1e6, 12.657), (1e7, 14.960)],
)
def test_threshold_for_a_run_length(run_length: float, h: float) -> None:
    """Siegmund's formula is good to a hundredth of h."""
    assert cusum_threshold(run_length) == pytest.approx(h, abs=0.012)


@pytest.mark.parametrize(("slack", "h"), [(0.25, 8.01), (0.5, 4.77), (0.75, 3.34)])
def test_threshold_for_other_steps(slack: float, h: float) -> None:
    """Hawkins 1993, pairs of k and h for a two-sided run length of 370, as textbooks print them; not read again."""
    assert cusum_threshold(370, slack) == pytest.approx(h, abs=0.025)


def test_threshold_gives_the_run_length_it_was_asked_for() -> None:
    """The textbook recursion, one reading at a time on 400 channels of white noise: within 4 standard errors + 2 %."""
    h, generator, runs = cusum_threshold(465.4), np.random.default_rng(3), []
    up, down, age = np.zeros(400), np.zeros(400), np.zeros(400)
    for _ in range(8000):
        z = generator.normal(size=400)
        up, down, age = np.maximum(0.0, up + z - 0.5), np.maximum(0.0, down - z - 0.5), age + 1
        out = np.maximum(up, down) > h
        runs += age[out].tolist()
        up[out] = down[out] = age[out] = 0.0
    assert np.mean(runs) == pytest.approx(465.4, rel=0.02 + 4.0 / math.sqrt(len(runs)))


@pytest.mark.parametrize("run_length", [1.0, 0.0, -5.0, math.nan])
def test_impossible_run_lengths_are_refused(run_length: float) -> None:
    with pytest.raises(SeriesError, match=str(run_length)):
        cusum_threshold(run_length)


def test_false_alarms_are_no_more_than_asked_for() -> None:
    """White noise: of dips and of steps each at most the number asked for and three standard deviations of it."""
    watches, readings, asked = (8, 2_500_000, 5.0) if HEAVY else (2, 400_000, 10.0)
    dips = steps = 0
    for seed in range(watches):
        found = feed(DriftWatch(readings, asked), noise(readings, seed), batch=50_000)
        dips += sum(isinstance(event, Excursion) for event in found)
        steps += sum(isinstance(event, LevelStep) for event in found)
    most = watches * asked + 3.0 * math.sqrt(watches * asked)
    assert 0 < dips <= most
    assert steps <= most


@pytest.mark.parametrize("phi", [0.3, 0.6, 0.9])
def test_readings_that_hang_together_raise_no_alarm(phi: float) -> None:
    """First-order autoregression; at phi = 0.5 a CUSUM of h = 5 that takes it for white alarms every 50 readings."""
    count = 1_000_000 if HEAVY else 200_000
    white = np.random.default_rng(11).normal(size=count)
    found = feed(DriftWatch(count), 5.0 + 0.01 * lfilter([1.0], [1.0, -phi], white))
    assert not [event for event in found if isinstance(event, LevelStep)]
    assert len(found) <= 1  # a tenth of a dip may be expected


@pytest.mark.parametrize("size", [3.0, -3.0, 1.5])
def test_a_small_step_is_found_within_a_few_readings(size: float) -> None:
    """Three spreads in a watch of 72 h at 10 per second: told once, where and as large as it is."""
    values = noise(20_000, seed=2)
    values[12_345:] += size * 0.01
    watch, told = DriftWatch(2_592_000), []
    for i, value in enumerate(values):
        told += [(i, event) for event in watch.update(i * INTERVAL, float(value))]
    [(at, step)] = told
    assert isinstance(step, LevelStep)
    # h = 15, so that h / (size - k) readings are needed (Siegmund), some more by chance.
    assert at - 12_345 < 2.0 * cusum_threshold(2_592_000 / 0.1) / (abs(size) - 0.5) + 5
    assert step.time == pytest.approx(1234.5, abs=1.0)
    # A mean of as few readings as it took, and those of an alarm are the larger ones.
    assert step.size == pytest.approx(size * 0.01, abs=4.0 * 0.01 / math.sqrt(at - 12_344))


def test_steps_follow_each_other() -> None:
    """After a step the new level is learnt, and the next one is found."""
    values = noise(40_000)
    values[10_000:] += 0.10
    values[20_000:] -= 0.20
    values[30_000:] += 1.0
    found = feed(DriftWatch(1e6), values)
    assert [round(event.time) for event in found if isinstance(event, LevelStep)] == [1000, 2000, 3000]
    assert [round(event.size, 1) for event in found if isinstance(event, LevelStep)] == [0.1, -0.2, 1.0]


@pytest.mark.parametrize("readings", range(1, LONGEST_EXCURSION + 1))
def test_a_dip_is_told_once_when_it_is_over(readings: int) -> None:
    """Start, stop, depth and number of readings of a short drop-out."""
    values = noise(5000)
    values[3000 : 3000 + readings] -= 2.0
    [dip] = feed(DriftWatch(1e6), values)
    assert isinstance(dip, Excursion)
    assert (dip.start, dip.stop, dip.readings) == (
        pytest.approx(300.0),
        pytest.approx(300.0 + 0.1 * (readings - 1)),
        readings,
    )
    assert dip.size == pytest.approx(-2.0, abs=0.05)


def test_what_does_not_come_back_is_a_step() -> None:
    """One reading more than the longest dip."""
    values = noise(5000)
    values[3000 : 3000 + LONGEST_EXCURSION + 1] -= 2.0
    found = feed(DriftWatch(1e6), values)
    assert isinstance(found[0], LevelStep)
    assert (found[0].time, found[0].size) == (pytest.approx(300.0), pytest.approx(-2.0, abs=0.05))


def test_nothing_is_missed_while_learning() -> None:
    """A dip among the very first readings, and one right after a step."""
    values = noise(8000)
    values[5] -= 1.0
    values[4000:] += 0.5
    values[4050:4052] -= 1.0
    found = feed(DriftWatch(1e6), values)
    told = [(type(event).__name__, round(_start(event), 1)) for event in found]
    assert told == [("Excursion", 0.5), ("LevelStep", 400.0), ("Excursion", 405.0)]


def _start(event: Event) -> float:
    return event.start if isinstance(event, Excursion) else event.time


def test_warm_up_and_slow_drift_are_no_steps_but_dips_in_them_are_found() -> None:
    """5.8 V with an exponential approach of 24 spreads, tau 300 s, and a drift of 40 spreads in all."""
    n = 60_000
    when = INTERVAL * np.arange(n)
    values = noise(n) - 0.24 * np.exp(-when / 300.0) + 0.4 * when / when[-1]
    values[1500] -= 0.5
    values[40_000] -= 0.5
    watch = DriftWatch(n, warm_up=1500.0)
    found = feed(watch, values)
    assert [event.start for event in found if isinstance(event, Excursion)] == pytest.approx([150.0, 4000.0])
    assert not [event for event in found if isinstance(event, LevelStep)]
    tau = watch.warm_up()
    assert tau.warm_up_tau is not None
    assert tau.warm_up_tau == pytest.approx(300.0, rel=0.1)
    assert watch.trend().slope == pytest.approx(0.4 / when[-1], rel=0.05)
    assert watch.trend().drifting


def test_steps_during_the_allowance_are_not_told_and_after_it_are() -> None:
    """A step of a hundred spreads at either side of the allowance's end."""
    values = noise(20_000)
    values[5000:] += 1.0
    values[15_000:] += 1.0
    found = feed(DriftWatch(1e6, warm_up=1000.0), values)
    assert [round(event.time) for event in found if isinstance(event, LevelStep)] == [1500]


def test_a_display_of_few_counts_raises_no_alarm_as_it_drifts_over_an_edge() -> None:
    """Counts of 10 mV, noise of a third of one, drifting by two and a half counts."""
    n = 200_000
    values = np.round(noise(n, sigma=0.003) + 0.025 * np.arange(n) / n, 2)
    assert feed(DriftWatch(n, resolution=0.01), values) == []


def test_a_constant_reading_that_jumps_is_seen() -> None:
    """A perfect level has no spread to hide in; a jump by a billionth of it is a step."""
    values = np.full(4000, 5.0)
    values[2000:] += 1e-8
    values[3000] -= 1e-8
    found = feed(DriftWatch(1e6), values)
    assert [type(event).__name__ for event in found] == ["LevelStep", "Excursion"]


@given(
    seed=st.integers(0, 2**31),
    cuts=st.lists(st.integers(1, 400), min_size=1, max_size=30),
    hits=st.lists(
        st.tuples(st.integers(0, 3999), st.integers(1, 9), st.sampled_from([-9.0, -4.0, 3.0, 30.0])), max_size=5
    ),
    steps=st.lists(st.tuples(st.integers(0, 3999), st.sampled_from([-3.0, 2.0, 50.0])), max_size=3),
    slope=st.sampled_from([0.0, 0.002, -0.02]),
)
@settings(max_examples=30 if not HEAVY else 1000, deadline=None)
def test_batches_give_what_single_readings_give(
    seed: int, cuts: list[int], hits: list[tuple[int, int, float]], steps: list[tuple[int, float]], slope: float
) -> None:
    """Random noise, dips, steps, slopes and cuts: the same events, at the same readings, with the same sizes."""
    values = noise(4000, seed, sigma=1.0, level=100.0) + slope * np.arange(4000)
    for start, length, size in hits:
        values[start : start + length] += size
    for start, size in steps:
        values[start:] += size
    times = INTERVAL * np.arange(values.size)
    one, many = DriftWatch(1e5), DriftWatch(1e5)
    singly = [event for t, v in zip(times.tolist(), values.tolist(), strict=True) for event in one.update(t, v)]
    batched: list[Event] = []
    start, turn = 0, 0
    while start < values.size:
        stop = start + cuts[turn % len(cuts)]
        batched += many.update_many(times[start:stop], values[start:stop])
        start, turn = stop, turn + 1
    assert len(singly) == len(batched)
    for here, there in zip(singly, batched, strict=True):
        assert type(here) is type(there)
        assert _start(here) == _start(there)
        assert here.size == pytest.approx(there.size, rel=1e-9)
    assert one.settled.series()[1] == pytest.approx(many.settled.series()[1], rel=1e-12)


def test_memory_does_not_grow() -> None:
    """All that a watch holds after 100,000 readings is no larger than after 10,000."""
    watch, values = DriftWatch(1e6), noise(100_000)

    def held() -> int:
        parts = [*vars(watch).values(), *vars(watch.settled).values()]
        return sum(part.nbytes if isinstance(part, np.ndarray) else sys.getsizeof(part) for part in parts)

    watch.update_many(INTERVAL * np.arange(10_000), values[:10_000])
    early = held()
    watch.update_many(INTERVAL * np.arange(10_000, 100_000), values[10_000:])
    assert held() <= early + 64
    assert watch.settled.count == 100_000


@pytest.mark.parametrize(
    ("readings", "alarms"),
    [(0.0, 0.1), (100.0, 0.0), (100.0, 100.0), (math.nan, 0.1), (100.0, math.nan), (math.inf, 0.1)],
)
def test_impossible_rates_are_refused(readings: float, alarms: float) -> None:
    """No false alarm at all cannot be had, one for every reading is no watch."""
    with pytest.raises(SeriesError, match=f"{alarms} false alarms in {readings}"):
        DriftWatch(readings, alarms)


def test_bad_readings_are_refused_and_change_nothing() -> None:
    """Not a number, time that stands still, unequal lengths: an error with the numbers, and the watch goes on."""
    watch = DriftWatch(1e6)
    watch.update(1.0, 5.0)
    watched = [(2.0, math.nan), (2.0, 1.1e100), (1.0, 5.0), (0.5, 5.0), (math.inf, 5.0), (math.nan, 5.0)]
    for time, value in watched:
        with pytest.raises(SeriesError, match=re.escape(f"{value} at {time} s")):
            watch.update(time, value)
    for times, values in (
        ([1.0, 2.0], [5.0, 5.0]),
        ([2.0, 3.0], [5.0]),
        ([3.0, 2.0], [5.0, 5.0]),
        ([2.0], [math.nan]),
        ([2.0], [1.1e100]),
        ([], [5.0]),
        ([2.0], []),
    ):
        with pytest.raises(SeriesError):
            watch.update_many(times, values)
    assert watch.update_many([], []) == ()
    assert watch.update(1.5, 5.0) == ()
    assert watch.settled.count == 2
    assert watch.update_many([2.0, 3.0], [5.0, 5.0]) == ()
    with pytest.raises(SeriesError, match="one at 3"):
        watch.update(3.0, 5.0)
    with pytest.raises(SeriesError, match="one at 3"):
        watch.update_many([2.5, 4.0], [5.0, 5.0])


@pytest.mark.parametrize("value", [-1e100, 1e100])
def test_the_largest_readings_are_taken_singly_and_in_batches(value: float) -> None:
    """What is beyond them is refused, for its square would be beyond all numbers."""
    watch = DriftWatch(1e6)
    assert watch.update(0.0, value) == watch.update_many([1.0, 2.0], [value, value]) == ()
    assert watch.settled.count == 3


def test_too_little_has_no_trend_yet() -> None:
    """Nobody is told of a drift from two readings."""
    watch = DriftWatch(1e6, warm_up=10.0)
    watch.update(0.0, 1.0)
    with pytest.raises(SeriesError, match="0 readings"):
        watch.trend()
    with pytest.raises(SeriesError, match="1 readings"):
        watch.warm_up()


def test_learning_is_whole_blocks() -> None:
    """The spread of block means is learnt from blocks that are full."""
    assert LEARN % BLOCK == 0
