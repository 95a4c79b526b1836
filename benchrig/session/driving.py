"""The one loop in which a pure engine is driven: what happens goes in, in order, until it is over or its time is up.

Trims, counted turns, least points, sweeps, soaks and `benchrig watch` differ in what is taken, in the engine, and in
what is told; each is a `Driven`. What a hand turns has more in common, and that is `HandDrive`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Protocol, TypeVar

from ..clock import Clock
from ..events import LinkDown, LinkUp
from ..procedure.quantities import Limits
from ..readings import Reading
from ..trim.counted import words as words_of_turn
from ..trim.types import Accepted, Goal, Measured, Restart, Tick, TrimEvent, TrimView
from .notices import Notice, TrimMoved
from .tools import Feed, InstrumentSource, Item
from .verdicts import Value, value_of
from .work import Work

KEPT = 1000  # readings, of which the last are the accepted ones

Got = TypeVar("Got", contravariant=True)
Event = TypeVar("Event")


class Driven(Protocol[Got, Event]):
    """An engine at work."""

    @property
    def over(self) -> bool:
        """It has ended; nothing more is taken."""
        ...

    def events(self, got: Got) -> Iterable[Event]:
        """What has happened, in order."""
        ...

    def step(self, event: Event) -> None:
        """One event into the engine, and its effects carried out."""
        ...

    def looked(self, got: Got) -> None:
        """All of it is in: show how it stands, ask for what comes next."""
        ...


def drive(driven: Driven[Got, Event], take: Callable[[], Got], clock: Clock, until: float = math.inf) -> None:
    """Take, and step, until it is over or the clock says `until`. Raises what `take` raises."""
    while not driven.over and clock.now() < until:
        got = take()
        for event in driven.events(got):
            driven.step(event)
            if driven.over:
                break
        driven.looked(got)


def moments(item: Item | None, now: float) -> tuple[TrimEvent, ...]:
    """What a feed's item is to a trim engine. What was seen before a link was lost no longer counts."""
    match item:
        case Reading():
            return (Measured(item, now),)
        case LinkDown():
            return (replace(item, now=now),)
        case LinkUp():
            return (replace(item, now=now), Restart(now))
        case None:
            return (Tick(now),)


def accepted(effects: Iterable[object], taken: Sequence[Reading]) -> Value | None:
    """What a hold was accepted at: the mean of its readings, the last of `taken`; None where none was."""
    hold = next((effect for effect in effects if isinstance(effect, Accepted)), None)
    return None if hold is None else replace(value_of(taken[-hold.readings :]), creep=hold.creep)


class Gauge:
    """Tells of a trim's view: at every item of a feed, and between them only what time has changed."""

    def __init__(self, tell: Callable[[Notice], None], step: str, trimmer: str, goal: Goal) -> None:
        self._tell = tell
        self._step = step
        self._trimmer = trimmer
        self._goal = goal
        self._told: TrimView | None = None

    def show(self, view: TrimView, item: Item | None) -> None:
        asked = "" if view.asked is None else words_of_turn(view.asked)
        seen = replace(view, uncertainty=None)  # it grows with every moment, and no gauge shows it
        if item is None and seen == self._told:
            return
        self._told = seen
        self._tell(TrimMoved(self._step, self._goal, view, self._trimmer, asked))


class HandDrive:
    """A hand that turns, led by a pure engine, on the readings of one source.

    value  what was accepted; None as long as nothing was
    taken  the last readings, of which an engine accepts some
    """

    def __init__(self, work: Work, source: InstrumentSource, limits: Limits | None) -> None:
        self.work = work
        self.value: Value | None = None
        self.taken: list[Reading] = []
        self._source = source
        self._limits = limits
        self._feed: Feed | None = None

    def run(self, longest: float = math.inf) -> Value | None:
        """Until it is over, for `longest` seconds at the most; the value accepted."""
        work = self.work
        work.restarted = False  # what was told or interrupted before does not belong to the turning that begins now
        work.turned.clear()
        until = work.clock.now() + longest
        with work.feed(self._source, self._limits) as feed:
            self._feed = feed
            drive(self, lambda: work.take(feed, self._source, self._limits), work.clock, until)
        return self.value

    @property
    def now(self) -> float:
        """Clock seconds."""
        return self.work.clock.now()

    @property
    def over(self) -> bool:
        return self.value is not None

    def events(self, got: Item | None) -> Iterable[TrimEvent]:
        self.keep(got)
        before = self.told()
        restarted = isinstance(got, Reading | None) and self.work.restarted
        self.work.restarted = False
        return (*before, *((Restart(self.now),) if restarted else ()), *moments(got, self.now))

    def keep(self, item: Item | None) -> None:
        """Readings that may be accepted later."""
        if isinstance(item, Reading) and item.usable:
            self.taken = [*self.taken[1 - KEPT :], item]

    def told(self) -> Sequence[TrimEvent]:
        """What the person has said since the last look."""
        return ()

    def step(self, event: TrimEvent) -> None:
        value = accepted(self.effects(event), self.taken)
        if value is not None and self._feed is not None and not self._confirmed(self._feed):
            value = None
            self.restart()
        self.value = value

    def _confirmed(self, feed: Feed) -> bool:
        """A look at the instrument's panel behind the readings of a hold found nothing."""
        return self.work.confirmed(feed, self._source, self._limits)

    def restart(self) -> None:
        """What seemed to be accepted does not count: the engine begins again where it is."""
        raise NotImplementedError

    def effects(self, event: TrimEvent) -> Iterable[object]:
        """Those of one step of the engine, which keeps its new state."""
        raise NotImplementedError

    def looked(self, got: Item | None) -> None:
        raise NotImplementedError
