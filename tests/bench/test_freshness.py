"""Readings of a bench are fresh or say that they are not; one from after a reboot has the settings from before it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest
from small_bench import LEVEL, small_bench

from benchrig.bench import Attached, InstrumentSpec, readings
from benchrig.clock import SimClock
from benchrig.instruments import Function
from benchrig.readings import Flag, Reading
from benchrig.trim import engine
from benchrig.trim.types import Accepted, Goal, Measured

INTERVAL = 0.3


def flags_of(ages: Iterable[float]) -> list[Flag]:
    """Flags of readings that come every INTERVAL, each `age` seconds old when it is handed out."""
    clock = SimClock()
    attached = Attached(InstrumentSpec("m", "meter-scpi", "sim://meter"), clock, world=small_bench(clock, "meter"))
    attached.open()
    left = iter(list(ages))

    def produce(driver: Any, deadline: float) -> Reading:
        clock.sleep_until(clock.now() + INTERVAL)
        return Reading(1.0, "V", clock.now() - next(left))

    source = readings(attached, produce)
    return [source.next(clock.now() + 1.0).flags for _ in ages]  # type: ignore[union-attr]


@pytest.mark.parametrize(("age", "stale"), [(1.9 * INTERVAL, False), (2.2 * INTERVAL, True), (30.0, True)])
def test_older_than_twice_the_usual_interval_is_stale(age: float, stale: bool) -> None:
    """The usual interval is learnt from the readings before it."""
    assert (flags_of([0.0] * 6 + [age])[-1] == Flag.STALE) is stale


def test_a_stale_reading_is_never_accepted() -> None:
    """A minute of values in the middle of the window, every one of them stale."""
    state, effects = engine.start(Goal(1.0, 0.9, 1.1, "V"), 0.0), []
    for index in range(200):
        now = index * INTERVAL
        state, more = engine.step(state, Measured(Reading(1.0, "V", now, Flag.STALE), now))
        effects += more
    assert not [effect for effect in effects if isinstance(effect, Accepted)]
    assert engine.view(state, 60.0).value is None or engine.view(state, 60.0).stale


def test_after_a_brown_out_no_reading_counts_before_the_settings_are_back() -> None:
    """Its presets would be 10 power line cycles; every reading that comes has the aperture that was chosen."""
    clock = SimClock()
    world = small_bench(clock, "meter")
    attached = Attached(InstrumentSpec("m", "meter-scpi", "sim://meter"), clock, world=world)
    attached.open()
    attached.use(lambda meter: meter.select(Function.DC_VOLTAGE, expected=5.0, power_line_cycles=1.0))
    source = readings(attached)
    before = source.next(clock.now() + 2.0)
    world.double("meter").brown_out(1.5)
    after: list[Reading] = []
    end = clock.now() + 60.0
    while len(after) < 5 and clock.now() < end:
        event = source.next(clock.now() + 1.0)
        after += [event] if isinstance(event, Reading) else []
    sent = b"".join(data for _, data in world.wire_log("meter"))
    assert isinstance(before, Reading)
    assert len(after) == 5
    for reading in after:
        assert reading.value == pytest.approx(LEVEL, abs=0.005)
        assert reading.aperture == pytest.approx(before.aperture, rel=0.5)
    assert sent.count(b"CONF:VOLT:DC") == 2
