"""The shell around the alarms' two machines: one thread for each caller, so that a slow one holds nobody up.

Rules it keeps:
1. No call waits for a caller; only `close` does, for as long as it is told to.
2. Memory is bounded whatever the callers do.
3. On a `SimClock` there are no threads: a caller is called inside `raise_` and `tick`.
4. That a caller cannot be reached is said once, and once that it can be again. One that does not come back from a
   call is said to hang; what it has still to tell waits behind that call.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from ..clock import Clock, SimClock
from ..session import notices as n
from . import caller_queue, escalation, remote_ack
from .escalation import AlarmState, AlarmTaken, Effect, Event, Gone, Open, Policy, Show, Tell
from .types import RANK, Alarm, AlarmError, Caller, Severity

CLOSING = 15.0  # s that `close` waits for the last tellings
HANGS = 120.0  # s after which a call is said to hang; a mail may take some answers of 20 s each
NOTES = 1.0  # s between looks for a note


class Alarms:
    """The open alarms of a job, and everybody who is told of them. Use from any thread; close at the end.

    notify  gets AlarmRaised, AlarmCleared, AlarmAcknowledged and Said, in the thread of the call that caused them
    record  beside it a note may be left that acknowledges (see `remote_ack`)
    step    the step that they are told for
    """

    def __init__(
        self,
        callers: Sequence[Caller],
        clock: Clock,
        notify: Callable[[n.Notice], None] = lambda notice: None,
        *,
        policy: Policy | None = None,
        record: Path | None = None,
        unit_serial: str = "",
        step: str = "",
    ) -> None:
        self.step = step
        self._unit_serial = unit_serial
        self._clock = clock
        self._notify = notify
        self._record = record
        self._looked = -math.inf
        self._lock = threading.RLock()  # on a simulated clock a caller may raise an alarm itself
        self._state = AlarmState(policy or Policy())
        self._messengers = [Messenger(caller, clock) for caller in callers]

    @property
    def open(self) -> tuple[Open, ...]:
        """What is open, oldest first."""
        return tuple(self._state.open.values())

    def raise_(
        self, key: str, severity: Severity, title: str, words: str = "", *, channel: str = "", loud: bool = False
    ) -> None:
        """Something is wrong. The same trouble has the same `key`. `loud`: making safe has failed."""
        stamp = self._clock.stamp()
        self._take(escalation.Raised(key, severity, title, words, self._unit_serial, channel, stamp, loud))

    def louder(self, key: str, title: str, words: str = "") -> None:
        """What should have made the bench safe has failed: told at once, at short intervals, as severe as can be."""
        self.raise_(key, "stop", title, words, loud=True)

    def clear(self, key: str) -> None:
        """It is well again. Nothing happens where no such alarm is open."""
        self._take(escalation.Cleared(key))

    def acknowledge(self, key: str | None = None, by: str = "") -> int:
        """The operator acknowledges it, or everything where `key` is None. Returns of how many alarms."""
        return self._take(escalation.Acknowledged(key), by)

    def tick(self) -> None:
        """Call often, a few times a second."""
        self._take(escalation.AlarmTick(self._clock.stamp()))
        self._take_notes()
        for messenger in self._messengers:
            messenger.tick()
            for words in messenger.news():
                self._notify(n.Said(self.step, words, "warning"))

    def _take_notes(self) -> None:
        now = self._clock.now()
        if self._record is None or now - self._looked < NOTES:
            return
        self._looked = now
        for by, key in remote_ack.take(self._record):
            self.acknowledge(key or None, by)

    def close(self, timeout: float = CLOSING) -> tuple[str, ...]:
        """Wait for what is still to be told, at most `timeout` seconds. Returns, in words, what was not."""
        until = self._clock.now() + timeout
        for messenger in self._messengers:
            messenger.end()
        return tuple(words for messenger in self._messengers for words in messenger.left(until))

    def _take(self, event: Event, by: str = "") -> int:
        with self._lock:  # what is told and what is withdrawn keep their order, whichever threads they come from
            self._state, effects = escalation.step(self._state, event, self._clock.now())
            for effect in effects:
                self._pass_on(effect)
        for effect in effects:  # a display may be slow: nobody waits for it
            self._show(effect, by)
        return sum(isinstance(effect, AlarmTaken) for effect in effects)

    def _pass_on(self, effect: Effect) -> None:
        for messenger in self._messengers:
            if isinstance(effect, Tell):
                messenger.offer(effect.alarm)
            elif isinstance(effect, AlarmTaken):
                messenger.withdraw(effect.alarm.key)

    def _show(self, effect: Effect, by: str) -> None:
        match effect:
            case Show(alarm):
                self._notify(_raised(self.step, alarm))
            case Gone(alarm, acknowledged):
                self._notify(n.AlarmCleared(self.step, alarm.key, alarm.title, acknowledged))
            case AlarmTaken(alarm):
                self._notify(n.AlarmAcknowledged(self.step, alarm.key, alarm.title, by, alarm.active))


def _raised(step: str, it: Alarm) -> n.AlarmRaised:
    return n.AlarmRaised(
        step, it.key, it.severity, it.title, it.words, it.channel, it.raised, it.number, it.count, it.loud, it.active
    )


class Messenger:
    """One caller and what it has still to tell."""

    def __init__(self, caller: Caller, clock: Clock) -> None:
        self._caller = caller
        self._clock = clock
        self._waiting = caller_queue.Waiting()
        self._news: list[str] = []
        self._changed = threading.Condition()
        self._ending = False
        self._began = math.inf  # when the call that is under way began
        self._inline = isinstance(clock, SimClock)
        self._thread = threading.Thread(target=self._work, name=f"alarms-{caller.name}", daemon=True)
        if not self._inline:
            self._thread.start()

    def offer(self, alarm: Alarm) -> None:
        """To be told when the turn comes; returns at once."""
        if RANK[alarm.severity] < RANK[self._caller.least]:
            return
        with self._changed:
            self._waiting = caller_queue.offered(self._waiting, alarm)
            self._changed.notify()
        self.tick()

    def withdraw(self, key: str) -> None:
        """Not to be told any more."""
        with self._changed:
            self._waiting = caller_queue.withdrawn(self._waiting, key)

    def tick(self) -> None:
        """On a simulated clock, tell what is due."""
        while self._inline and (alarm := caller_queue.due(self._waiting, self._clock.now())):
            self._call(alarm)

    def news(self) -> list[str]:
        """What the operator should know of this caller since the last time it was asked."""
        with self._changed:
            if self._clock.now() - self._began > HANGS:
                self._began = math.inf
                self._news.append(f"{self._caller.name} does not come back from a call")
            news, self._news = self._news, []
        return news

    def end(self) -> None:
        """Nothing more will be offered; what waits is tried once more now."""
        with self._changed:
            self._ending = True
            self._waiting = replace(self._waiting, not_before=-math.inf)
            self._changed.notify()

    def left(self, until: float) -> list[str]:
        """What is not told at `until`, in words."""
        if not self._inline:
            self._thread.join(max(0.0, until - self._clock.now()))
        names = ", ".join(alarm.title for alarm in self._waiting.alarms)
        return [f"{self._caller.name} could not be told of: {names}"] if names else []

    def _work(self) -> None:
        while (alarm := self._next()) is not None:
            self._call(alarm)

    def _next(self) -> Alarm | None:
        """Wait for what is due; None when everything is told and nothing more will come."""
        with self._changed:
            while True:
                now = self._clock.now()
                if alarm := caller_queue.due(self._waiting, now):
                    return alarm
                if self._ending and not self._waiting.alarms:
                    return None
                self._changed.wait(self._waiting.not_before - now if self._waiting.alarms else None)

    def _call(self, alarm: Alarm) -> None:
        self._began = self._clock.now()
        try:
            self._caller.call(alarm)
        except AlarmError as error:
            self._failed(alarm, error)
        except Exception as error:  # a caller from outside may raise anything; the watch must go on
            self._failed(alarm, AlarmError(f"{type(error).__name__}: {error}"))
        else:
            with self._changed:
                if self._waiting.failures:
                    self._news.append(f"{self._caller.name} can be reached again")
                self._waiting = caller_queue.delivered(self._waiting, alarm)
        finally:
            self._began = math.inf

    def _failed(self, alarm: Alarm, error: AlarmError) -> None:
        with self._changed:
            if not error.again:
                self._news.append(f"{self._caller.name} did not reach everybody: {error}")
                self._waiting = caller_queue.delivered(self._waiting, alarm)
                return
            if not self._waiting.failures:
                self._news.append(f"{self._caller.name} cannot be reached: {error}")
            self._waiting = caller_queue.failed(self._waiting, self._clock.now())
