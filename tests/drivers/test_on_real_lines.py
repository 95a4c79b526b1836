"""What only real sockets, terminals and memory can show."""

from __future__ import annotations

import os
import threading
import tracemalloc
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from benchrig.drivers.fs9721 import LINE, Fs9721Meter
from benchrig.sim_instruments.serve import Server
from benchrig.sim_instruments.world import World
from far_ends import PtyEnd
from frame_cases import GOOD
from small_bench import DOUBLES, LEVEL, small_bench

from benchrig.clock import RealClock, SimClock
from benchrig.errors import LinkTimeout
from benchrig.instruments import load_driver
from benchrig.links import open_link


@contextmanager
def served(*names: str) -> Iterator[tuple[World, dict[str, str]]]:
    """Doubles on loopback while the context lasts."""
    world = small_bench(RealClock(), *names)
    server = Server(world)
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        yield world, {row["name"]: row["address"] for row in server.addresses()}
    finally:
        server.stop()
        thread.join()


def test_a_late_answer_on_a_socket_is_not_the_next_reading() -> None:
    """Through pyvisa: the answer comes after its timeout; the reading after it began after its own question."""
    clock = RealClock()
    with served("meter") as (world, addresses):
        meter = load_driver("meter-scpi")(open_link(addresses["meter"], clock), clock, {})
        meter.read(clock.now() + 3.0)  # type: ignore[attr-defined]
        world.double("meter").delay(0.6)
        with pytest.raises(LinkTimeout):
            meter.read(clock.now() + 0.3)  # type: ignore[attr-defined]
        world.node("level").changes.append((clock.now(), 1.25))  # type: ignore[attr-defined]
        asked = clock.now()
        reading = meter.read(asked + 5.0)  # type: ignore[attr-defined]
        assert reading.time - reading.aperture >= asked
        assert reading.value == pytest.approx(1.25, abs=0.01)
        assert reading.value != pytest.approx(LEVEL, abs=0.1)
        meter.release()


def test_four_kilobytes_of_backlog_do_not_come_before_the_newest_frame() -> None:
    """A pseudo-terminal filled while nobody read: 0.598 V many times, then 12.34 V live; only the last is shown."""
    old, new = GOOD["fs9721"][6].frame, GOOD["fs9721"][9].frame
    clock = RealClock()
    end = PtyEnd(lambda line: None)
    link = open_link(f"serial://{end.path}", clock, LINE)
    try:
        meter = Fs9721Meter(link, clock, {"interval": 0.05})
        end.push(old * (4096 // len(old)))
        clock.sleep_until(clock.now() + 0.2)  # longer than an interval: the age of what waits is not known
        threading.Timer(0.1, end.push, [new]).start()
        assert meter.read(clock.now() + 3.0).value == 12.34
    finally:
        link.close()
        end.unplug()


def test_a_deep_record_needs_no_second_copy() -> None:
    """In pages into one array: at most 2.5 times the record's own bytes at any moment.

    Two million points; ten million with BENCHRIG_HEAVY=1.
    """
    clock = SimClock()
    world = small_bench(clock, "tenfield-a2")
    scope = load_driver(DOUBLES["tenfield-a2"][0])(open_link("sim://tenfield-a2", clock, world=world), clock, {})
    count = 10_000_000 if os.environ.get("BENCHRIG_HEAVY") else 2_000_000
    scope.set_channel(1, probe=10.0, scale=1.0, offset=3.5)  # type: ignore[attr-defined]
    scope.set_timebase(scale=1e-3)  # type: ignore[attr-defined]
    scope.set_trigger(source=1, level=3.5, slope="rising", sweep="normal")  # type: ignore[attr-defined]
    scope.fresh_capture(1, 10.0)  # type: ignore[attr-defined]
    scope.stop()  # type: ignore[attr-defined]
    scope.capture(1, points=1300)  # type: ignore[attr-defined]
    tracemalloc.start()
    record = scope.capture(1, points=count)  # type: ignore[attr-defined]
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert len(record) == count
    assert peak < 2.5 * count
