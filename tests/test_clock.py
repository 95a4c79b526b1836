"""A simulated clock moves only when somebody sleeps on it and runs its agenda in order; the real one never hurries."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from benchrig.clock import RealClock, SimClock


def test_time_stands_still_until_somebody_sleeps() -> None:
    clock = SimClock(start=5.0)
    assert (clock.now(), clock.now()) == (5.0, 5.0)
    clock.sleep_until(7.5)
    assert clock.now() == 7.5
    clock.sleep_until(1.0)
    assert clock.now() == 7.5


def test_wall_time_goes_along() -> None:
    clock = SimClock(start=100.0, stamp=datetime(2026, 1, 5, 8, 0, tzinfo=UTC))
    clock.sleep_until(100.0 + 86400.0)
    assert clock.stamp() == datetime(2026, 1, 6, 8, 0, tzinfo=UTC)


@given(st.lists(st.floats(0, 100), max_size=20))
def test_work_runs_in_order_of_time_each_at_its_own_moment(moments: list[float]) -> None:
    clock = SimClock()
    seen: list[tuple[float, int]] = []
    for number, moment in enumerate(moments):
        clock.at(moment, lambda number=number: seen.append((clock.now(), number)))  # type: ignore[misc]
    clock.sleep_until(100.0)
    assert seen == sorted((moment, number) for number, moment in enumerate(moments))


def test_work_may_plan_work_and_what_lies_beyond_waits() -> None:
    clock = SimClock()
    seen: list[float] = []

    def first() -> None:
        seen.append(clock.now())
        clock.at(2.0, lambda: seen.append(clock.now()))
        clock.at(9.0, lambda: seen.append(clock.now()))

    clock.at(1.0, first)
    clock.sleep_until(5.0)
    assert seen == [1.0, 2.0]
    clock.sleep_until(9.0)
    assert seen == [1.0, 2.0, 9.0]


def test_repeated_work_keeps_its_beat_and_ends_when_told() -> None:
    clock = SimClock()
    seen: list[float] = []
    end = clock.every(0.25, lambda: seen.append(clock.now()))
    clock.sleep_until(1.0)
    assert seen == [0.25, 0.5, 0.75, 1.0]
    end()
    clock.sleep_until(3.0)
    assert len(seen) == 4


def test_a_beat_may_begin_at_a_given_moment() -> None:
    clock = SimClock()
    seen: list[float] = []
    clock.every(1.0, lambda: seen.append(clock.now()), start=0.5)
    clock.sleep_until(2.6)
    assert seen == [0.5, 1.5, 2.5]


def test_the_real_clock_never_goes_back_and_never_wakes_early() -> None:
    clock = RealClock()
    wake = clock.now() + 0.01
    clock.sleep_until(wake)
    assert clock.now() >= wake
    clock.sleep_until(wake - 1.0)
    assert abs(clock.stamp() - datetime.now(UTC)) < timedelta(minutes=1)
