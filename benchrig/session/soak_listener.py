"""Listening to several instruments for days: each at its own pace, none holding up another, none lost for good.

Rules it keeps:
1. Each instrument has one thread that owns it; what it heard waits in a row until it is fetched, nothing is dropped.
   On a simulated clock everything is done in the caller's thread, whoever is due first.
2. An instrument that several channels share is set up again whenever the next channel has its turn.
3. An instrument is never given up for being away; only one that turns out to be another unit, or that its driver
   cannot use at all, is told as out of use. The others go on.
"""

from __future__ import annotations

import math
import threading
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import replace
from typing import Any, Protocol

from ..bench.attach import Attached
from ..bench.source import Event, Steps
from ..clock import Clock, SimClock
from ..errors import BenchrigError, InstrumentError, Refused
from ..events import LinkDown, LinkUp
from ..readings import Reading
from ..signals.waveform import Waveform
from ..soak.task import Catch
from .tools import Caught, Dead, Heard, Taken

LONGEST_WAIT = 30.0  # s between tries to reach an instrument that is away
IN_VAIN = 20  # losses for the same reason, with nothing heard between, after which it is no loss but a refusal
LOOK_SIMULATED = 1.0
LOOK = 0.2  # s between looks whether to stop
DIVISIONS = 8
BEFORE_TRIGGER = 0.1  # of a caught record

Guard = Callable[[], None]


class Reader(Protocol):
    """Makes one reading at each call."""

    def set_up(self, driver: Any) -> None: ...

    def __call__(self, driver: Any, deadline: float) -> Reading: ...


class Turn:
    """One channel of an instrument and when it is read next."""

    def __init__(self, name: str, reader: Reader, interval: float, now: float) -> None:
        self.name = name
        self.reader = reader
        self.interval = interval
        self.due = now


class Turns:
    """The channels of one instrument, read in turn. `source.Produce` of that instrument."""

    def __init__(self, turns: Sequence[Turn], clock: Clock) -> None:
        self._turns = list(turns)
        self._clock = clock
        self._set_up: Turn | None = None
        self.last = self._turns[0]

    @property
    def due(self) -> float:
        return min(turn.due for turn in self._turns)

    def restart(self) -> None:
        """The instrument was away; what was due meanwhile is past."""
        self._set_up = None

    def __call__(self, driver: Any, deadline: float) -> Reading | None:
        turn = min(self._turns, key=lambda it: it.due)
        self.last = turn
        if turn is not self._set_up:
            turn.reader.set_up(driver)
            self._set_up = turn
        turn.due = max(turn.due + turn.interval, self._clock.now())
        return turn.reader(driver, deadline)

    def heard(self, reading: Reading) -> Heard:
        return Taken(self.last.name, reading)


class Catcher:
    """A scope armed on one point. `source.Produce` of that scope: a reading without a number for each record caught."""

    def __init__(self, catch: Catch, ratio: float, clock: Clock) -> None:
        self._catch = catch
        self._ratio = ratio
        self._clock = clock
        self._ready = self._armed = False
        self._wave: Waveform | None = None
        self.due = clock.now()  # of the next look; looking only asks, so nothing waits for it
        self._look = LOOK_SIMULATED if isinstance(clock, SimClock) else LOOK

    def restart(self) -> None:
        """The scope was away, and is no longer armed."""
        self._armed = False

    def __call__(self, driver: Any, deadline: float) -> Reading | None:
        if not self._ready:
            self._set_up(driver)
        if not self._armed:
            driver.single()
            self._armed = True
        now = self._clock.now()
        self.due = now + self._look
        if not driver.wait(now):
            return None
        self._wave = driver.capture(self._catch.source.channel)
        self._armed, self.due = False, now
        return Reading(None, "V", now)

    def heard(self, reading: Reading) -> Heard:
        assert self._wave is not None
        return Caught(self._catch.name, self._wave, reading.time)

    def _set_up(self, driver: Any) -> None:
        catch, channel = self._catch, self._catch.source.channel
        swing = catch.source.swing or 2.0 * abs(catch.level)
        driver.set_channel(channel, coupling="dc", probe=self._ratio)
        try:
            driver.set_channel(channel, scale=swing / (DIVISIONS - 2), offset=catch.level)
        except InstrumentError:  # the level is farther from zero than this scope can shift at so fine a scale
            whole = abs(catch.level) + swing / 2.0
            driver.set_channel(channel, scale=2.0 * whole / (DIVISIONS - 2), offset=0.0)
        driver.set_timebase(scale=catch.duration / 10.0, position=(0.5 - BEFORE_TRIGGER) * catch.duration)
        slope = "falling" if catch.falling else "rising"
        driver.set_trigger(source=channel, level=catch.level, slope=slope, sweep="normal")
        self._ready = True


class Ear:
    """One instrument that is listened to."""

    def __init__(self, attached: Attached, produce: Turns | Catcher, guard: Guard | None) -> None:
        self.attached = attached
        self._produce = produce
        for_ever = replace(attached.patience, longest=LONGEST_WAIT, limit=math.inf)
        self._steps = Steps(attached, produce, guard, for_ever)
        self._away = False
        self._not_before = -math.inf
        self._trouble: tuple[str, int] = ("", 0)  # the last loss, and how often in a row with nothing between

    @property
    def due(self) -> float:
        """Clock seconds of the next step."""
        return max(self._produce.due, self._not_before)

    def step(self, deadline: float) -> Heard | None:
        """One reading, one event, or one look. Raises Refused; any other trouble is told as `Dead`."""
        try:
            event = self._steps.step(deadline)
        except Refused:
            raise
        except BenchrigError as error:
            return Dead(self.attached.name, str(error))
        self._not_before = self.attached.clock.now() + (LOOK if self._away else 0.0)
        return self._heard(event)

    def _heard(self, event: Event | None) -> Heard | None:
        match event:
            case LinkDown(_, instrument, reason):
                self._away = True
                self._trouble = (reason, self._trouble[1] + 1 if reason == self._trouble[0] else 1)
                if self._trouble[1] >= IN_VAIN:
                    return Dead(instrument, f"{reason} ({IN_VAIN} times in a row)")
                return event
            case LinkUp():
                self._away = False
                self._produce.restart()
                return event
            case Reading():
                self._trouble = ("", 0)
                return self._produce.heard(event)
        if not self._away:
            self._trouble = ("", 0)
        return None


class InlineListener:
    """Every instrument in the caller's thread, on a simulated clock."""

    def __init__(self, ears: Sequence[Ear], clock: Clock) -> None:
        self._ears = list(ears)
        self._clock = clock
        with ExitStack() as holds:  # all of them, or none
            for ear in self._ears:
                holds.enter_context(ear.attached.hold())
            self._holds = holds.pop_all()

    def poll(self, until: float) -> list[Heard]:
        """Whatever is due until then."""
        heard: list[Heard] = []
        while self._ears and self._clock.now() < until:
            ear = min(self._ears, key=lambda it: it.due)
            if ear.due >= until:
                break
            self._clock.sleep_until(ear.due)
            self._heard(ear, ear.step(ear.due), heard)
        self._clock.sleep_until(until)
        return heard

    def _heard(self, ear: Ear, it: Heard | None, heard: list[Heard]) -> None:
        if it is not None:
            heard.append(it)
        if isinstance(it, Dead):
            self._ears.remove(ear)

    def close(self) -> None:
        self._holds.close()


class ThreadedListener:
    """A thread for each instrument."""

    def __init__(self, ears: Sequence[Ear], clock: Clock) -> None:
        self._clock = clock
        self._heard: deque[Heard | BaseException] = deque()
        self._stop = threading.Event()
        self._threads = [
            threading.Thread(target=self._run, args=(ear,), name=f"listen {ear.attached.name}", daemon=True)
            for ear in ears
        ]
        for thread in self._threads:
            thread.start()

    def poll(self, until: float) -> list[Heard]:
        """Whatever came, after waiting until then. Raises what ended a thread, Refused above all; and again each time.

        What was heard before that is handed out first, for it belongs into the record.
        """
        self._clock.sleep_until(until)
        heard: list[Heard] = []
        while self._heard:
            first = self._heard[0]
            if not isinstance(first, BaseException):
                heard.append(first)
                self._heard.popleft()
            elif heard:
                break
            else:
                raise first
        return heard

    def close(self) -> None:
        self._stop.set()
        for thread in self._threads:
            thread.join(10.0)

    def _run(self, ear: Ear) -> None:
        try:
            with ear.attached.hold():
                while not self._stop.is_set():
                    if self._stop.wait(min(LOOK, max(0.0, ear.due - self._clock.now()))):
                        return
                    if ear.due > self._clock.now():
                        continue
                    heard = ear.step(self._clock.now() + LOOK)
                    if heard is not None:
                        self._heard.append(heard)
                    if isinstance(heard, Dead):
                        return
        except BaseException as error:  # handed to whoever polls, who is the one to know
            self._heard.append(error)


def listen(ears: Sequence[Ear], clock: Clock) -> InlineListener | ThreadedListener:
    """All of `ears` at once, in the way that fits the clock."""
    return InlineListener(ears, clock) if isinstance(clock, SimClock) else ThreadedListener(ears, clock)
