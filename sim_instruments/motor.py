"""What moves a simulated hand: the agenda of a simulated clock, or a thread beside a real one.

Either does its work again and again, `TICK` seconds apart, between `start` and `stop`; both may be called again.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

from benchrig.clock import Clock, SimClock

TICK = 0.05  # seconds between two movements of the hand


class Agenda:
    """Runs the hand from a simulated clock's agenda while it has something to do."""

    def __init__(self, clock: SimClock, work: Callable[[], None]) -> None:
        self._clock = clock
        self._work = work
        self._end: Callable[[], None] | None = None

    def start(self) -> None:
        if self._end is None:
            self._end = self._clock.every(TICK, self._work)

    def stop(self) -> None:
        if self._end is not None:
            self._end()
            self._end = None

    close = stop


class Thread:
    """Runs the hand from a thread that sleeps while there is nothing to do."""

    def __init__(self, work: Callable[[], None]) -> None:
        self._work = work
        self._busy = threading.Event()
        self._closed = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        if self._thread is None and not self._closed.is_set():
            self._thread = threading.Thread(target=self._run, name="simulated hand", daemon=True)
            self._thread.start()
        self._busy.set()

    def stop(self) -> None:
        self._busy.clear()

    def close(self) -> None:
        self._closed.set()
        self._busy.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None

    def _run(self) -> None:
        while not self._closed.is_set():
            self._busy.wait()
            self._work()
            self._closed.wait(TICK)


def motor_for(clock: Clock, work: Callable[[], None]) -> Agenda | Thread:
    """What moves a hand in the time of `clock`."""
    return Agenda(clock, work) if isinstance(clock, SimClock) else Thread(work)
