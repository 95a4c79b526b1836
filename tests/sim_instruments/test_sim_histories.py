"""Quantities that creep, contacts that open, noise that repeats."""

import math

import numpy as np
import pytest
from benchrig.sim_instruments.histories import Dips, Relaxing, hashed, one

from benchrig.clock import SimClock


def test_hash_is_the_published_generator() -> None:
    """First three outputs of splitmix64 from state 0: the test vector that implementations are checked with."""
    published = [0xE220A8397B1DCDAF, 0x6E789E6AA1B965F4, 0x06C45D188009454F]
    found = hashed(np.array([1, 2, 3], dtype=np.int64), 0)
    assert found == pytest.approx([value / 2.0**63 - 1.0 for value in published], abs=1e-15)


def test_hash_spreads_evenly() -> None:
    """Mean and variance of an even spread over -1..+1 are 0 and 1/3 (textbook), each within four standard errors."""
    found = hashed(np.arange(-50_000, 50_000, dtype=np.int64), 12)
    assert abs(found.mean()) < 4 * math.sqrt(1 / 3 / 1e5)
    assert found.var() == pytest.approx(1 / 3, rel=0.02)


def test_runs_to_its_goal_as_a_capacitor_charges() -> None:
    """63.2, 86.5, 95.0 and 99.3 % after 1, 2, 3 and 5 time constants: any electronics handbook."""
    clock = SimClock()
    value = Relaxing(clock, 0.0)
    clock.sleep_until(10.0)
    value.go(1.0, 2.0)
    found = value.at(10.0 + 2.0 * np.array([0.0, 1.0, 2.0, 3.0, 5.0]))
    assert found == pytest.approx([0.0, 0.632, 0.865, 0.950, 0.993], abs=5e-4)


def test_turning_round_on_the_way_starts_from_where_it_was() -> None:
    """No jump at a change of goal."""
    clock = SimClock()
    value = Relaxing(clock, 0.0)
    value.go(1.0, 1.0)
    clock.sleep_until(0.5)
    before = value.now()
    value.go(-3.0)
    assert before == pytest.approx(1.0 - math.exp(-0.5))
    assert value.now() == pytest.approx(before, abs=1e-12)


def test_the_past_stays_as_it_was() -> None:
    """A later change does not alter what is said about an earlier moment."""
    clock = SimClock()
    value = Relaxing(clock, 0.0)
    value.go(1.0, 1.0)
    clock.sleep_until(3.0)
    then = np.linspace(0.0, 2.9, 30)
    before = value.at(then)
    value.go(7.0, 0.1)
    assert np.array_equal(value.at(then), before)


def test_settled_value_is_one_number() -> None:
    """Long after the last change every later question gets the goal itself, exactly."""
    clock = SimClock()
    value = Relaxing(clock, 0.0)
    value.go(5.0, 0.1)
    assert value.at(np.linspace(100.0, 200.0, 7)) == 5.0
    assert isinstance(value.at(np.array([100.0])), float)


def test_dips_last_as_long_as_a_bad_fuse_holder_makes_them() -> None:
    """Every dip of an hour lasts 40 ms to 2 s, and there is one in about 60 % of the slots."""
    dips = Dips(seed=3)
    dips.since = 0.0
    middles = (np.arange(600) + 0.5) * Dips.SLOT
    start, length = dips.during(middles)
    happened = np.isfinite(start)
    assert length[happened].min() >= 0.040
    assert length[happened].max() <= 2.0
    assert happened.mean() == pytest.approx(0.6, abs=0.08)


def test_a_dip_is_the_same_whoever_asks_and_when() -> None:
    """One sample at a time or all at once: the same contact."""
    dips = Dips(seed=3)
    dips.since = 100.0
    times = np.linspace(90.0, 160.0, 7001)
    together = np.broadcast_to(dips.at(times), times.shape)
    assert together.min() < 0.05
    alone = [one(dips.at(np.array([t]))) for t in times]
    assert together == pytest.approx(alone, abs=1e-12)
    assert np.all(together[times < 100.0] == 1.0)
