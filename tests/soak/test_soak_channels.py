"""One channel of a soak: levels, presence, warm-up, dips, drift; the same reading by reading and in batches."""

import math

import numpy as np
import pytest

from benchrig.instruments import Function
from benchrig.procedure.quantities import Limits, MeterSource
from benchrig.readings import Flag
from benchrig.soak.channel import COMING_UP, ChannelWatch
from benchrig.soak.findings import Columns, Kind, Severity
from benchrig.soak.levels import CONFIRM, ConfirmedLevel, ReadingBand, levels
from benchrig.soak.recent_medians import Moving
from benchrig.soak.task import SoakChannel

LIMITS = Limits("V", 11.4, 12.6, 10.8, 13.2, 15.0)
SOURCE = MeterSource("meter", Function.DC_VOLTAGE)


def columns(values, start=0.0, interval=1.0, flags=None):
    values = np.asarray(values, dtype=np.float64)
    some = np.zeros(values.size, np.uint32) if flags is None else np.asarray(flags, np.uint32)
    return Columns(start + interval * np.arange(values.size), values, some, 1e-4)


def channel(warm_up=0.0, harmless=None, **changed):
    made = {"name": "+12 V", "source": SOURCE, "limits": LIMITS, "interval": 1.0, **changed}
    return ChannelWatch(SoakChannel(**made), 0.0, 36_000.0, warm_up, 0.01, harmless)


def kinds(findings):
    return [it.kind for it in findings]


def test_levels_name_window_and_acceptable_limits():
    """An edge belongs to what it closes; an open side has no level beyond it."""
    row = levels(np.array([12.0, 11.4, 11.3, 10.8, 10.7, 13.3]), LIMITS)
    assert row.tolist() == [
        ReadingBand.IN,
        ReadingBand.IN,
        ReadingBand.OUT,
        ReadingBand.OUT,
        ReadingBand.FAR_OUT,
        ReadingBand.FAR_OUT,
    ]
    assert levels(np.array([-1e9, 5.0]), Limits("V", None, 1.0, None, 2.0)).tolist() == [0, 2]


def test_one_wild_reading_moves_no_level_and_three_do():
    """It rises to the least of the last three and falls to the greatest of them."""
    confirmed = ConfirmedLevel()
    assert confirmed.take(np.array([0, 2, 0, 2, 2], np.int8)) == []
    assert confirmed.take(np.array([2], np.int8)) == [(0, ReadingBand.FAR_OUT)]
    assert confirmed.take(np.array([1, 0, 1], np.int8)) == [(2, ReadingBand.OUT)]
    assert confirmed.take(np.array([0, 0, 0], np.int8)) == [(2, ReadingBand.IN)]


@pytest.mark.parametrize("size", [1, 2, 7, 64])
def test_levels_are_the_same_one_by_one_and_in_batches(size):
    """Where a batch is cut says nothing."""
    row = np.random.default_rng(3).integers(0, 3, 500).astype(np.int8)
    whole = ConfirmedLevel().take(row)
    one = ConfirmedLevel()
    cut = [
        (start + place, level) for start in range(0, 500, size) for place, level in one.take(row[start : start + size])
    ]
    assert cut == whole
    assert whole


def test_leaving_the_window_warns_and_leaving_what_is_acceptable_stops():
    """And coming back ends the finding that began."""
    watch = channel()
    assert watch.take(columns([12.0] * 10)) == []
    out = watch.take(columns([11.0] * CONFIRM, 10.0))
    assert [(it.kind, it.severity) for it in out] == [(Kind.OUTSIDE, Severity.WARNING)]
    back = watch.take(columns([12.0] * CONFIRM, 20.0))
    assert [(it.kind, it.ends) for it in back] == [(Kind.INSIDE, Kind.OUTSIDE)]
    far = watch.take(columns([10.0] * CONFIRM, 30.0))
    assert (far[-1].kind, far[-1].severity) == (Kind.FAR_OUTSIDE, Severity.STOP)


def test_one_reading_above_the_ceiling_stops_and_so_does_an_overload():
    """Also while the unit is switched off on purpose, and before it is warm."""
    assert kinds(channel(warm_up=600.0).take(columns([15.2]))) == [Kind.BREACH]
    over = columns([math.nan], flags=[Flag.OVERLOAD.value])
    assert kinds(channel().take(over)) == [Kind.BREACH]
    assert kinds(channel().while_off(over)) == [Kind.BREACH]
    assert channel().while_off(columns([0.0] * 9)) == []


def test_an_overload_of_a_meter_on_its_way_to_another_range_stops_only_when_it_stays():
    """One frame of it is a range change; three in a row are none, wherever the batches are cut."""
    hop = [(Flag.OVERLOAD | Flag.AUTORANGE).value]
    watch = channel()
    one = [columns([math.nan], float(i), flags=hop) for i in range(3)]
    assert watch.take(one[0]) == []
    assert watch.take(columns([12.0], 0.5)) == []
    assert watch.take(columns([math.nan] * 2, 1.0, flags=hop * 2)) == []
    assert kinds(watch.take(columns([math.nan], 3.0, flags=hop))) == [Kind.BREACH]


def test_a_voltage_that_can_hurt_stops_where_no_hazard_was_declared():
    """60 V on a rail of 12 V is a fault, whatever the file says; an overload alone is only a range too small."""
    bare = Limits("V", 11.4, 12.6, 11.4, 12.6)
    watch = channel(limits=bare, harmless=60.0)
    assert kinds(watch.take(columns([math.nan], flags=[Flag.OVERLOAD.value]))) == []
    assert kinds(watch.take(columns([61.0], 1.0))) == [Kind.BREACH]


def test_readings_that_may_not_be_judged_are_not():
    """Held, stale, clipped or overloaded ones move no level; without any others the channel is absent."""
    watch = channel()
    bad = [Flag.HOLD, Flag.STALE, Flag.CLIPPED, Flag.BUSY, Flag.INVALID]
    assert watch.take(columns([99.0 / 9.0 - 5.0] * 5, flags=[flag.value for flag in bad])) == []
    assert watch.tick(59.0) == []
    assert kinds(watch.tick(61.0)) == [Kind.ABSENT]
    assert watch.tick(62.0) == []
    again = watch.take(columns([12.0], 90.0))
    assert [(it.kind, it.ends) for it in again] == [(Kind.PRESENT, Kind.ABSENT)]


def test_a_value_may_come_in_while_the_unit_warms_up():
    """Outside the window until warm; outside the acceptable limits for half of that."""
    watch = channel(warm_up=100.0)
    assert watch.take(columns([9.0] * 49)) == []
    assert watch.take(columns([11.0] * 50, 50.0)) == []
    assert kinds(watch.tick(100.0)) == [Kind.WARM]
    assert kinds(watch.take(columns([11.0] * 3, 101.0))) == [Kind.OUTSIDE]
    late = channel(warm_up=100.0)
    assert kinds(late.take(columns([9.0] * 55))) == [Kind.FAR_OUTSIDE]


def test_coming_up_is_neither_a_dip_nor_a_step():
    """From cold the first minute climbs as it likes."""
    rng = np.random.default_rng(5)
    times = np.arange(3000.0)
    values = 12.0 - 1.0 * np.exp(-times / 8.0) + 1e-3 * rng.standard_normal(times.size)
    assert kinds(channel(warm_up=10.0 * COMING_UP).take(columns(values))) == []


def test_a_dip_and_a_step_are_told_with_their_size():
    """A drop of one reading, and a lasting change."""
    rng = np.random.default_rng(6)
    values = 12.0 + 1e-3 * rng.standard_normal(6000)
    values[3000] -= 0.5
    values[4500:] += 0.01
    found = channel().take(columns(values))
    assert kinds(found) == [Kind.DIP, Kind.STEP]
    assert found[0].time == 3000.0
    assert found[0].size == pytest.approx(-0.5, abs=0.01)
    assert found[1].time == pytest.approx(4500.0, abs=5.0)
    assert found[1].size == pytest.approx(0.01, abs=0.003)


def test_flicker_of_the_last_digit_is_no_dip():
    """A display of 10 mV that goes up and down by one count all day."""
    watch = channel()
    for start in range(0, 20_000, 500):
        shown = 12.0 + 0.01 * (np.random.default_rng(start).random(500) < 0.004)
        block = Columns(start + np.arange(500.0), shown, np.zeros(500, np.uint32), 0.01)
        assert watch.take(block) == []


@pytest.mark.parametrize("size", [1, 10, 600])
def test_findings_are_the_same_whatever_the_batches(size):
    """Live they come one by one, from a memory by the hundred."""
    rng = np.random.default_rng(7)
    values = 12.0 + 1e-3 * rng.standard_normal(6000)
    values[2000] -= 0.3
    values[4000:4010] = 11.0
    values[5000:] += 0.02

    def run(step):
        watch = channel()
        return [it for start in range(0, 6000, step) for it in watch.take(columns(values[start : start + step], start))]

    def told(findings):
        return sorted((it.kind, round(it.time, 6), it.ends or "", round(it.size or 0.0, 9)) for it in findings)

    assert told(run(size)) == told(run(6000))
    assert {Kind.DIP, Kind.OUTSIDE, Kind.INSIDE, Kind.STEP} <= set(kinds(run(size)))


def drifting(slope, limit, seconds=20_000, warm_up=0.0):
    """Findings of a channel that changes by `slope` a second and may by `limit`."""
    watch = channel(warm_up=warm_up, drift=limit, over=3600.0)
    rng = np.random.default_rng(8)
    found = []
    for start in range(0, seconds, 60):
        times = start + np.arange(60.0)
        values = 12.0 + slope * times + 1e-3 * rng.standard_normal(60)
        found += watch.take(columns(values, float(start)))
        found += watch.tick(start + 60.0)
    return watch, found


def test_drift_is_told_only_where_it_is_surely_more_than_allowed():
    """Half the limit is none, twice the limit is one, and it is told once."""
    quiet, found = drifting(1e-7, 2e-7)
    assert found == []
    assert quiet.stable
    _, found = drifting(4e-7, 2e-7)
    assert kinds(found) == [Kind.DRIFT]
    assert found[0].size == pytest.approx(4e-7 * 3600.0, rel=0.3)


def test_a_channel_that_is_not_stable_when_the_warm_up_ends_is_said_to_be_warming_still():
    """It counts as a warning, for what comes after rests on it."""
    _, found = drifting(4e-7, 2e-7, seconds=6000, warm_up=5000.0)
    assert Kind.STILL_WARMING in kinds(found)


def test_dips_pass_for_no_drift():
    """A part of the readings far below says nothing about where the level goes."""
    moving = Moving(1200.0)
    times = np.arange(1300.0)
    values = np.where(np.arange(1300) % 5 == 0, 0.0, 12.0) + 1e-3 * np.random.default_rng(9).standard_normal(1300)
    moving.add_many(times, values)
    found = moving.drift()
    assert found is not None
    assert abs(found.slope) * 1200.0 < 1e-3


def test_a_window_that_is_not_full_says_nothing():
    """Neither at the start nor after a long silence."""
    moving = Moving(1200.0)
    moving.add_many(np.arange(900.0), np.full(900, 12.0))
    assert moving.drift() is None
    moving.add_many(5000.0 + np.arange(100.0), np.full(100, 12.0))
    assert moving.drift() is None


def test_totals_are_those_after_the_warm_up():
    """Count, least, mean and greatest as numpy has them."""
    rng = np.random.default_rng(10)
    values = 12.0 + 1e-3 * rng.standard_normal(4000)
    watch = channel(warm_up=1000.0)
    watch.take(columns(values))
    totals = watch.totals()
    settled = values[1000:]
    assert (totals.readings, totals.usable) == (4000, 4000)
    assert (totals.least, totals.greatest) == (settled.min(), settled.max())
    assert totals.mean == pytest.approx(settled.mean(), rel=1e-12)
    assert totals.drift is not None


def test_after_a_power_cycle_the_noise_is_learnt_anew():
    """Off it was another level; on again it may warm up as at the start."""
    watch = channel(warm_up=100.0)
    watch.take(columns(12.0 + 1e-3 * np.random.default_rng(11).standard_normal(2000)))
    watch.switched_on(2100.0, 100.0)
    assert watch.tick(2120.0) == []
    assert watch.take(columns([11.0] * 60, 2100.0)) == []
    assert watch.warming(2150.0)
