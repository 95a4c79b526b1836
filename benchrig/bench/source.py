"""Readings from one attached instrument, one after the other, with its gaps between them.

Rules of this module:
1. `next(deadline)` gives a reading, a gap that opened, a gap that closed, or None at the deadline.
2. Live, a thread of its own owns the instrument, so that a slow or dead instrument never holds keys or screen; where
   the reader lags, only the newest reading is kept, but no gap is ever lost. On a simulated clock everything is done
   in the caller's thread, by the same steps.
3. A reading handed out later than twice the usual interval after it was taken is flagged STALE, but never for a
   delay that nobody could see.
4. Trouble that does not pass is raised to the reader: LinkLost, WrongInstrument, InstrumentError.
"""

from __future__ import annotations

import math
import statistics
import threading
from collections import deque
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, Any, Protocol

from ..clock import Clock, SimClock
from ..errors import BenchrigError, InstrumentError, LinkError, LinkTimeout, WrongInstrument
from ..events import LinkDown, LinkEvent
from ..readings import Flag, Reading
from .attach import Attached, Patience, Tries

if TYPE_CHECKING:
    from ..signals.waveform import Waveform

Produce = Callable[[Any, float], Reading | None]  # None: nothing to read yet, and the instrument is well
Event = Reading | LinkEvent

_USUAL = 1.0  # seconds between readings, until some have come
_REMEMBERED = 9  # gaps between readings of which the median is the usual one
_UNSEEN = 0.1  # seconds; a reading this young is fresh however fast the meter is
_WAKE = 0.002  # seconds at least between wakings of the reader: a faster meter would lose its pace to them
_LOOK = 0.05  # seconds between looks whether to stop, while waiting for the next try to come back
FRUITLESS = 4  # answers that are no readings, after which opening it again is no cure
_JOIN = 1.0  # seconds beyond one answer for a thread to end


class Recorder(Protocol):
    """Makes readings of a scope, and gives the whole record that one was made from."""

    def __call__(self, driver: Any, deadline: float) -> Reading: ...

    def record(self, driver: Any, deadline: float) -> Waveform: ...


class Source(Protocol):
    """Where readings come from."""

    def next(self, deadline: float) -> Event | None:
        """The next event, at the latest at `deadline` (clock seconds; a simulated one may overrun by one reading)."""
        ...

    def close(self) -> None:
        """Stop reading and let go of the instrument. Safe to call twice."""
        ...


def readings(attached: Attached, produce: Produce | None = None, *, guard: Callable[[], None] | None = None) -> Source:
    """Readings of `attached`, which must be open.

    produce  `produce(driver, deadline)` makes one; by default `driver.read`
    guard    called before each touch of the instrument, a try to reopen it included; what it raises ends the source.
             For points behind a hold point: `guard=lambda: acknowledgement.require(...)`
    """
    steps = Steps(attached, produce or _read, guard)
    return InlineSource(steps) if isinstance(attached.clock, SimClock) else ThreadedSource(steps)


def _read(driver: Any, deadline: float) -> Reading:
    reading: Reading = driver.read(deadline)
    return reading


class ReadingPace:
    """The usual interval of a row of readings."""

    def __init__(self) -> None:
        self._last: float | None = None
        self._gaps: deque[float] = deque(maxlen=_REMEMBERED)

    def saw(self, time: float) -> None:
        if self._last is not None and time > self._last:
            self._gaps.append(time - self._last)
        self._last = time

    def restart(self) -> None:
        """The next reading is far from the last for a reason that says nothing about the pace."""
        self._last = None

    @property
    def usual(self) -> float:
        """Seconds; a guess until readings have come."""
        return statistics.median(self._gaps) if self._gaps else _USUAL


class Steps:
    """One step after the other: read while it goes well, try to come back while it does not. No threads here."""

    def __init__(
        self,
        attached: Attached,
        produce: Produce,
        guard: Callable[[], None] | None,
        patience: Patience | None = None,
    ) -> None:
        self._attached = attached
        self._produce = produce
        self._guard = guard or (lambda: None)
        self._patience = patience or attached.patience
        self._timeouts = 0
        self._tries: Tries | None = None
        self._for_ever = patience is not None  # of a watch with nobody there, which waits for better answers
        self._fruitless = 0  # answers in a row that were no readings, however often it was opened again
        self.pace = ReadingPace()

    @property
    def clock(self) -> Clock:
        return self._attached.clock

    @property
    def attached(self) -> Attached:
        return self._attached

    def step(self, deadline: float) -> Event | None:
        """One reading, one event, or one wait of at most until `deadline` or one answer, whichever is later."""
        if self._tries is not None:
            return self._try_again(self._tries, deadline)
        self._guard()
        try:
            reading = self._produce(self._attached.driver, self.clock.now() + self._patience.answer)
        except LinkTimeout as error:
            self._timeouts += 1
            return self._lost(error) if self._timeouts >= self._patience.timeouts else None
        except WrongInstrument:
            raise
        except InstrumentError as error:
            self._fruitless += 1
            if self._fruitless >= FRUITLESS and not self._for_ever:
                raise self._no_reading(error) from error
            return self._lost(error)
        except LinkError as error:
            return self._lost(error)
        self._timeouts = 0
        if reading is not None:
            self._fruitless = 0
            self.pace.saw(reading.time)
        return reading

    def _no_reading(self, error: InstrumentError) -> InstrumentError:
        """Opening it again does not help: what came, and what was expected."""
        return InstrumentError(
            f"{self._attached.name} gave no reading in {FRUITLESS} tries, opened again after each: {error.message}",
            instrument=self._attached.name,
            next_step=error.next_step
            or "One plain number was expected. Set it to answer that, or name its own driver.",
        )

    def _lost(self, error: BenchrigError) -> LinkDown:
        self._timeouts = 0
        self._tries = Tries(self._patience, self.clock.now())
        self.pace.restart()
        return self._attached.lose(error.message)

    def _try_again(self, tries: Tries, deadline: float) -> Event | None:
        if tries.due > deadline:
            self.clock.sleep_until(deadline)
            return None
        self.clock.sleep_until(tries.due)
        self._guard()
        try:
            gap = self._attached.try_again()
        except (LinkError, InstrumentError) as error:
            tries.failed(error, self.clock.now(), self._attached)
            return None
        self._tries = None
        return gap


def _aged(reading: Reading, now: float, pace: ReadingPace) -> Reading:
    """Flagged STALE if it is too old to be the present value: twice the usual interval after its time."""
    age = reading.age(now)
    if age <= _UNSEEN or age <= 2.0 * pace.usual + reading.aperture:
        return reading
    return replace(reading, flags=reading.flags | Flag.STALE)


class InlineSource:
    """Everything in the caller's thread."""

    def __init__(self, steps: Steps) -> None:
        self._steps = steps
        self._held = ExitStack()
        self._held.enter_context(steps.attached.hold())

    def next(self, deadline: float) -> Event | None:
        while True:
            event = self._steps.step(deadline)
            now = self._steps.clock.now()
            if isinstance(event, Reading):
                return _aged(event, now, self._steps.pace)
            if event is not None or now >= deadline:
                return event

    def close(self) -> None:
        self._held.close()


class ThreadedSource:
    """A thread that owns the instrument, and a row of what it found: every gap, and the newest reading."""

    def __init__(self, steps: Steps) -> None:
        self._steps = steps
        self._clock = steps.clock
        self._lock = threading.Lock()
        self._found: deque[Event | BaseException] = deque()
        self._wake: SimpleQueue[None] = SimpleQueue()  # its waiting costs a third of a Condition's
        self._waiting = False
        self._woken = -math.inf
        self._stop = False
        self._held = ExitStack()
        self._held.enter_context(steps.attached.hold())
        self.skipped = 0  # readings that a newer one replaced before they were fetched
        self._thread = threading.Thread(target=self._run, name=f"read {steps.attached.name}", daemon=True)
        self._thread.start()

    def next(self, deadline: float) -> Event | None:
        while True:
            with self._lock:
                if self._found:
                    return self._hand_out()
                self._waiting = True
            try:
                self._wake.get(timeout=max(0.0, deadline - self._clock.now()))
            except Empty:
                with self._lock:
                    self._waiting = False
                    if not self._found:
                        return None

    def close(self) -> None:
        self._stop = True
        self._thread.join(self._steps.attached.patience.answer + _JOIN)

    def _hand_out(self) -> Event:
        first = self._found[0]
        if isinstance(first, BaseException):  # stays: who asks again gets it again
            raise first
        self._found.popleft()
        return _aged(first, self._clock.now(), self._steps.pace) if isinstance(first, Reading) else first

    def _run(self) -> None:
        try:
            while not self._stop:
                event = self._steps.step(self._clock.now() + _LOOK)
                if event is not None:
                    self._put(event)
        except BaseException as error:  # handed to the reader, who is the one to know
            self._put(error)
        finally:
            self._held.close()

    def _put(self, event: Event | BaseException) -> None:
        """A newer reading takes the place of one not fetched; one from before a gap is the past and goes."""
        with self._lock:
            if self._found and isinstance(self._found[-1], Reading):
                self._found.pop()
                self.skipped += 1
            self._found.append(event)
            now = self._clock.now()
            wake = self._waiting and (now >= self._woken + _WAKE or not isinstance(event, Reading))
            if wake:
                self._waiting, self._woken = False, now
        if wake:
            self._wake.put(None)


class AttachedFeed:
    """Readings of one attached instrument, made by `reader`."""

    def __init__(
        self,
        attached: Attached,
        reader: Callable[[Any, float], Reading],
        scope: Recorder | None,
        guard: Callable[[], None] | None,
    ) -> None:
        self._attached = attached
        self._reader = reader
        self._scope = scope
        self._guard = guard
        self._source: Source | None = None

    def next(self, deadline: float) -> Event | None:
        if self._source is None:
            self._source = readings(self._attached, self._reader, guard=self._guard)
        return self._source.next(deadline)

    def waveform(self, deadline: float) -> Waveform | None:
        """The third fresh record: by then the scale has been found."""
        scope = self._scope
        if scope is None:
            return None
        self.close()

        def take(driver: Any) -> Waveform:
            for _ in range(2):
                scope(driver, deadline)
            return scope.record(driver, deadline)

        return self._attached.use(take, guard=self._guard)

    def close(self) -> None:
        if self._source is not None:
            self._source.close()
            self._source = None
