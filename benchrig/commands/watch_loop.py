"""The loop of `benchrig watch`: readings into cues, shown until q, and none that can hurt; nothing is recorded.

Rules kept here:
1. A target, a window or a reading beyond the limits of IEC 61010-1 for normal condition is refused with words, and an
   overload that lasts, which may be beyond them, too.
2. Of a scope every record is looked at from its lowest to its highest sample, whatever is measured on it.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import replace

import click

from ..clock import Clock
from ..confirmed import Confirmed
from ..errors import Refused
from ..procedure.checks import AC_LIMIT, hazardous_limit
from ..procedure.quantities import Measurement, ScopeSource
from ..readings import Flag, Reading
from ..session import notices as n
from ..session.driving import Gauge, drive, moments
from ..session.tools import Feed, InstrumentSource, Item
from ..session.turning import quantity_of
from ..trim import engine
from ..trim.state import TrimPhase
from ..trim.travel import BACK_OFF
from ..trim.types import Accepted, Goal, LinkDown, LinkUp, Measured, Restart, TrimEvent, Turned, Way
from ..ui.display import Display
from ..ui.keys import Keys
from ..ui.sentences import sentence
from ..ui.terminal import WAYS
from ..units import show

_LOOK = 0.05  # s between looks at keys and screen
_LINES = 0.5  # s at least between lines where there is no bar


class WatchLoop:
    """What is watched, for what, and what was said of it."""

    def __init__(
        self,
        source: InstrumentSource,
        goal: Goal | None,
        display: Display,
        clock: Clock,
        fill: Callable[[], None] | None = None,
    ) -> None:
        """`fill`: draws the gauge over the whole screen, and back; None where there is no such screen."""
        self._source = source
        self._goal = goal
        self._display = display
        self._clock = clock
        self._state = None if goal is None else engine.start(goal, clock.now())
        self._told = False
        self._fill = fill
        self._confirmed = Confirmed()
        self.over = False
        self._stood: list[Accepted] = []
        self._overloads = Overloads()
        self._ways: list[Way] = []  # of the last turn, until the reading shows it whole
        self._label = f"{source.instrument} {quantity_of(source)}"
        self._gauge = None if goal is None else Gauge(display.show, "watch", self._label, goal)

    def opening(self, identity: str) -> str:
        """Who is watched, for what, and how it ends."""
        goal = self._goal
        window = f", window {show(goal.low, goal.unit)} to {show(goal.high, goal.unit)}" if goal else ""
        keys = "f large digits, q ends" if self._fill else "q ends"
        return f"{identity}: {self._label}{window}. {keys}."

    def run(self, feed: Feed, keys: Keys) -> None:
        """Until q. Raises Refused where it grows hazardous, and what ends the feed."""
        drive(self, lambda: self._taken(feed, keys), self._clock)

    def _taken(self, feed: Feed, keys: Keys) -> Item | None:
        pressed = [key.lower() for key in keys.poll()]
        self.over = "q" in pressed
        if self._fill is not None and "f" in pressed:
            self._fill()
        self._ways += [Way(WAYS[key]) for key in pressed if key in WAYS]
        self._display.tick()
        return None if self.over else feed.next(self._clock.now() + _LOOK)

    def events(self, got: Item | None) -> Sequence[TrimEvent]:
        match got:
            case Reading():
                self._reading(got)
            case LinkDown() | LinkUp():
                self._confirmed.forget()
                self._display.show(replace(got, step="watch"))
        if self.over or self._state is None:
            return ()
        catching, now = self._state.phase is TrimPhase.CATCH, self._clock.now()
        told = [] if catching else [Turned(way, now) for way in self._ways]
        self._ways = self._ways if catching else []
        return (*told, *moments(got, now))

    def _reading(self, reading: Reading) -> None:
        check_reading(self._source, reading, self._overloads)
        counted = self._confirmed.add(reading)
        # Without a bar each line is believed by itself: it waits for the look behind it.
        for shown in counted if self._goal is None else (reading,):
            self._display.show(n.ReadingTaken("watch", self._label, shown))
        if self._told and self._goal and reading.value is not None:
            self._told = self._goal.low <= reading.value <= self._goal.high

    def step(self, event: TrimEvent) -> None:
        assert self._state is not None
        self._state, effects = engine.step(self._state, event)
        self._stood = [effect for effect in effects if isinstance(effect, Accepted)]

    def looked(self, got: Item | None) -> None:
        if self._state is None or self._gauge is None or self.over:
            return
        self._gauge.show(engine.view(self._state, self._clock.now()), got)
        for held in self._stood:
            self._held(held, got)
        self._end_of_travel(got if isinstance(got, Reading) else None)

    def _end_of_travel(self, item: Reading | None) -> None:
        """It stays said until the trimmer is clearly backed off; then the bar leads again."""
        assert self._state is not None
        end = self._state.known.ends
        if end is None or item is None or item.value is None:
            return
        if abs(item.value - end) > BACK_OFF * self._state.threshold:
            self._state, _ = engine.step(self._state, Restart(item.time))

    def _held(self, held: Accepted, got: Item | None) -> None:
        """Say once that it stood inside; the bar goes on, from the reading that ended the hold."""
        assert self._state is not None
        assert self._goal is not None
        if not self._told and not self._confirmed.waiting:
            words = f"Stood inside for {self._goal.hold:g} s, mean {show(held.value, self._goal.unit)}."
            self._display.show(n.Said("watch", words))
            self._told = True
        self._state, _ = engine.step(self._state, Restart(held.now))
        if isinstance(got, Reading):
            self._state, _ = engine.step(self._state, Measured(got, held.now))
        self._stood = []


class Together(Display):
    """Several displays as one."""

    def __init__(self, *displays: Display) -> None:
        self._displays = displays

    def show(self, notice: n.Notice) -> None:
        for display in self._displays:
            display.show(notice)

    def tick(self) -> None:
        for display in self._displays:
            display.tick()


class ReadingLines(Display):
    """A display without a bar: readings as lines, not more often than an eye follows."""

    def __init__(self) -> None:
        self._shown_at = 0.0

    def show(self, notice: n.Notice) -> None:
        now = time.monotonic()
        if isinstance(notice, n.ReadingTaken):
            if now - self._shown_at < _LINES:
                return
            self._shown_at = now
        click.echo(sentence(notice))


_OVERLOAD = 1.0  # s; a handheld that changes its range is done within


def limit_of(source: InstrumentSource) -> float | None:
    """Volts above which a value of `source` can hurt; None where it is no voltage."""
    if isinstance(source, ScopeSource) and source.measurement in (Measurement.RMS, Measurement.HUM):
        return AC_LIMIT
    return hazardous_limit(source)


def refuse_hazard(source: InstrumentSource, goal: Goal | None) -> None:
    """Raises Refused for a goal beyond what may be worked on without a hold point."""
    limit = limit_of(source)
    if limit is None or goal is None:
        return
    worst = max((goal.low, goal.high), key=abs)
    if abs(worst) > limit:
        raise _refusal(f"{show(worst, 'V')} is above {show(limit, 'V')} and can hurt.")


class Overloads:
    """Tells an overload that lasts from the one that a meter shows for a moment while it changes its range."""

    def __init__(self) -> None:
        self._since: float | None = None

    def lasts(self, reading: Reading) -> bool:
        if not reading.flags & Flag.OVERLOAD:
            self._since = None
            return False
        self._since = reading.time if self._since is None else self._since
        return reading.time - self._since >= _OVERLOAD


def check_reading(source: InstrumentSource, reading: Reading, overloads: Overloads) -> None:
    """Raises Refused for a reading that is, or may be, beyond what may be worked on without a hold point."""
    limit = limit_of(source)
    if limit is None:
        return
    if reading.value is not None and abs(reading.value) > limit:
        raise _refusal(f"The reading is {show(reading.value, 'V')}, above {show(limit, 'V')}: it can hurt.")
    if overloads.lasts(reading):
        raise _refusal("Overload: nobody knows how high it is.")


def _refusal(words: str) -> Refused:
    return Refused(
        f"{words} Hands away.",
        next_step="Make it safe, then use a procedure: it has hold points (benchrig run).",
    )
