"""Answers that come after their timeout, on real pseudo-terminals through pyserial and pyvisa."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from functools import partial

import pytest
import small_bench as bench
from benchrig.sim_instruments.serve import Server
from benchrig.sim_instruments.world import World

from benchrig.clock import RealClock
from benchrig.errors import BenchrigError, LinkTimeout
from benchrig.instruments import load_driver
from benchrig.links import open_link

SERIAL_METER = ("meter-scpi", partial(bench.BenchMeter, serial=True), "visa serial")


@contextmanager
def served(name: str) -> Iterator[tuple[World, str]]:
    """One double on a pseudo-terminal while the context lasts."""
    world = bench.small_bench(RealClock(), name)
    server = Server(world)
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        yield world, server.addresses()[0]["address"]
    finally:
        server.stop()
        thread.join()


@pytest.mark.parametrize(("name", "late"), [("prompt", 0.8), ("polled14", 0.5), ("meter-on-serial", 0.8)])
def test_a_late_answer_on_a_serial_line_is_not_the_next_reading(
    name: str, late: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The level changes after the timeout: a reading that says it began after the change is of the new level."""
    monkeypatch.setitem(bench.DOUBLES, "meter-on-serial", SERIAL_METER)
    clock = RealClock()
    factory = load_driver(bench.DOUBLES[name][0])
    with served(name) as (world, address), closing(open_link(address, clock, factory.LINE)) as link:  # type: ignore[attr-defined]
        meter = factory(link, clock, {})
        meter.identify()
        meter.read(clock.now() + 3.0)  # type: ignore[attr-defined]
        world.double(name).delay(late)
        with pytest.raises(LinkTimeout):
            meter.read(clock.now() + 0.05)  # type: ignore[attr-defined]
        world.node("level").changes.append((clock.now(), 1.25))  # type: ignore[attr-defined]
        changed = clock.now()
        for _ in range(12):
            try:
                reading = meter.read(clock.now() + 3.0)  # type: ignore[attr-defined]
            except BenchrigError:
                continue
            if reading.time - reading.aperture >= changed:
                break
        assert reading.time - reading.aperture >= changed
        assert reading.value == pytest.approx(1.25, abs=0.02)
        meter.release()
