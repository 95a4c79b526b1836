"""Time is an argument.

`now()` is monotonic seconds and the only time used for deadlines, ages and holds; `stamp()` is wall time
and only ever written down. `SimClock` moves when somebody waits on it, and runs what was put on its agenda
on the way, so a day of burn-in passes in seconds and in the same order every time.
"""

from __future__ import annotations

import heapq
import itertools
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Protocol


class Clock(Protocol):
    """Where the time comes from."""

    def now(self) -> float:
        """Monotonic seconds, from an arbitrary origin."""
        ...

    def stamp(self) -> datetime:
        """Wall time, aware, UTC."""
        ...

    def sleep_until(self, when: float) -> None:
        """Return when `now() >= when`."""
        ...


class RealClock:
    """The machine's own clock."""

    def now(self) -> float:
        return time.monotonic()

    def stamp(self) -> datetime:
        return datetime.now(UTC)

    def sleep_until(self, when: float) -> None:
        while (left := when - time.monotonic()) > 0:
            time.sleep(left)


class SimClock:
    """A clock that stands still until somebody sleeps on it; single-threaded by design.

    `at` and `every` put work on the agenda: the simulated hand that turns a trimmer, a fault at a given
    second. The work runs inside `sleep_until`, in order of time, with `now()` at its own moment.
    """

    def __init__(self, start: float = 0.0, stamp: datetime = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)) -> None:
        self._now = start
        self._origin = start
        self._stamp = stamp
        self._agenda: list[tuple[float, int, Callable[[], None]]] = []
        self._order = itertools.count()

    def now(self) -> float:
        return self._now

    def stamp(self) -> datetime:
        return self._stamp + timedelta(seconds=self._now - self._origin)

    def sleep_until(self, when: float) -> None:
        while self._agenda and self._agenda[0][0] <= when:
            due, _, work = heapq.heappop(self._agenda)
            self._now = max(self._now, due)
            work()
        self._now = max(self._now, when)

    def at(self, when: float, work: Callable[[], None]) -> None:
        """Run `work` once when the clock passes `when`."""
        heapq.heappush(self._agenda, (when, next(self._order), work))

    def every(self, interval: float, work: Callable[[], None], *, start: float | None = None) -> Callable[[], None]:
        """Run `work` again and again, `interval` seconds apart; the returned function ends it."""
        ended = False

        def again(due: float) -> None:
            if ended:
                return
            work()
            self.at(due + interval, lambda: again(due + interval))

        def end() -> None:
            nonlocal ended
            ended = True

        first = self._now + interval if start is None else start
        self.at(first, lambda: again(first))
        return end
