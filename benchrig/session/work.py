"""What a step works with: it takes readings, asks the person, and everything goes into the record before it is shown.

Rules it keeps:
1. Record first, then tell.
2. Commands of the person are looked at before every reading; a pause in a hazardous step costs the acknowledgement.
3. Every reading is held against the ceiling here, before any step sees it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, replace
from typing import TYPE_CHECKING

from ..clock import Clock
from ..confirmed import Confirmed
from ..errors import LinkLost, Refused
from ..events import LinkDown, LinkUp
from ..holdpoint import HoldMove, HoldPhase
from ..procedure.checks import PEAK_LIMIT, hazardous_limit
from ..procedure.model import Procedure, Step
from ..procedure.quantities import Limits
from ..readings import CAUTIONS, Flag, Reading
from ..records.facts import Store
from ..trim.types import Known
from ..units import show
from .guard import Guard
from .interruptions import Breach, Lapsed, Skipped, StopAsked
from .notices import Notice, ReadingTaken, Said, TurnAdvised
from .operators import Command, EntryRequest, Operator, Question, ask
from .points import HazardousPoint, SafePoint
from .reserve import Reserve
from .tools import Bell, Feed, InstrumentSource, Item, Tools
from .verdicts import CAUTION_WORDS

if TYPE_CHECKING:
    from ..signals.waveform import Waveform

LOOK = 0.25  # s between looks at the person's commands while no reading is waited for
REFRESH = 0.1  # s between looks at keys and screen while a reading is waited for
SEEN = 1000
CONFIRMED_WITHIN = 10.0  # s for a look at the panel to come behind readings that are to count
AT_PANEL = Flag.RELATIVE | Flag.CHANGED_AT_PANEL
CHANGED_WORDS = (
    "a stored offset, math, a filter or a range was chosen at its panel. These readings count for nothing; switch it "
    "off there, or start the step again."
)
AWAY = 120.0  # s for which an instrument may be away in one step


@dataclass(frozen=True, slots=True)
class Services:
    """What a whole job has.

    known  what earlier trims learned, by trimmer and what was read: one trimmer may move several values
    gains  by the same: change of the reading per degree clockwise
    marked  by trimmer: whether its old position was marked before the unit was switched on, as it was answered
    """

    procedure: Procedure
    tools: Tools
    operator: Operator
    store: Store
    clock: Clock
    known: dict[tuple[str, str], Known] = field(default_factory=dict)
    gains: dict[tuple[str, str], float] = field(default_factory=dict)
    marked: dict[str, str] = field(default_factory=dict)
    alarms: Bell | None = None
    reserve: Reserve = field(default_factory=Reserve)


class Work:
    """One step at work. `row` is its place in the record."""

    def __init__(self, services: Services, guard: Guard, step: Step, row: int) -> None:
        self.services = services
        self.clock = services.clock
        self.step = step
        self.row = row
        self.guard = guard
        self.last: Reading | None = None
        self.seen: deque[float] = deque(maxlen=SEEN)  # usable values of this step in time order
        self.only_looking = False  # in the as-found pass: nothing is to be turned
        self.restarted = False  # set when something between two readings made the old ones count no more
        self.turned: list[str] = []  # turns that the person has told of: which way, or "" for as asked
        self.counted: list[Reading] = []  # of the last reading taken: those that count now
        self.held = Confirmed()
        self._said: set[tuple[Flag | str, str]] = set()  # what of which channel was told of
        self._gap: tuple[int, float] | None = None

    @property
    def rule(self) -> str:
        """The decision rule of the procedure."""
        return self.services.procedure.rule

    @property
    def away(self) -> bool:
        """The instrument that is read was lost and is not back."""
        return self._gap is not None

    def tell(self, notice: Notice) -> None:
        """Record what is worth it, then show it."""
        if isinstance(notice, Said):
            facts = {"words": notice.words, "level": notice.level}
            self.services.store.event(self.row, notice.kind, facts, self.clock.now(), self.clock.stamp())
        elif isinstance(notice, TurnAdvised):
            self.services.store.event(self.row, notice.kind, asdict(notice), self.clock.now(), self.clock.stamp())
        self.services.operator.notify(notice)

    def say(self, words: str, level: str = "note") -> None:
        self.tell(Said(self.step.id, words, level))

    # asking

    def choose(
        self, text: str, choices: tuple[str, ...], about: str, trimmer: str = "", distance: float | None = None
    ) -> str | None:
        """What the person chose, recorded; None if they would not."""
        question = Question(self.step.id, text, choices, about, trimmer, distance)
        chosen = ask(self.services.operator, question, self.services.store, self.row, self.clock)
        if chosen is None:
            self.heed()  # who will not answer may have said that the job is to stop
        return chosen

    def enter(self, text: str, unit: str) -> str | None:
        """What the person typed, recorded; None if they would not."""
        typed = self.services.operator.enter(EntryRequest(self.step.id, text, unit))
        facts = {"asked": text, "about": "enter", "typed": typed}
        self.services.store.event(self.row, "answer", facts, self.clock.now(), self.clock.stamp())
        if typed is None:
            self.heed()
        return typed

    # commands

    def heed(self) -> None:
        """Look at what the person wants; may end the step."""
        self._keep_alive()
        for command in self.services.operator.commands():
            self._obey(command)

    def _keep_alive(self) -> None:
        now, store = self.clock.now(), self.services.store
        store.keep_alive(now)
        moved = store.note_clock(now, self.clock.stamp())
        if moved:
            self.say(f"The wall clock moved {moved:+.1f} s against the readings' own clock.", "warning")

    def _obey(self, command: Command) -> None:
        facts = {"verb": command.verb, "words": command.words}
        self.services.store.event(self.row, "command", facts, self.clock.now(), self.clock.stamp())
        match command.verb:
            case "stop":
                raise StopAsked("Stopped by the operator.")
            case "skip":
                raise Skipped(command.words or "skipped without a reason")
            case "mark":
                value, unit = (self.last.value, self.last.unit) if self.last else (None, "")
                self.services.store.mark(self.row, "", command.words, value, unit, self.clock.now())
            case "pause":
                self._pause()
            case "turned":
                self.turned.append(command.words)
            case "acknowledge":
                self._take_note()

    def _take_note(self) -> None:
        """The person has seen the alarms that are open."""
        bell, name = self.services.alarms, self.services.operator.name
        noted = bell.acknowledge(by=name) if bell is not None else 0
        self.say(f"{noted} alarms acknowledged by {name}." if noted else "No alarm is open.")

    def _pause(self) -> None:
        """Wait for the person. A hazardous point does not wait: its acknowledgement is gone at once."""
        live = self.step.hazard is not None
        if live:
            self.guard.lapse(HoldMove.PAUSED)
        else:
            self.guard.pause()
        self.say("Paused. Hands off." if live else "Paused.")
        self._wait_for_resume()
        if live:
            raise Lapsed("paused")
        self.guard.resume()
        self.restarted = True

    def _wait_for_resume(self) -> None:
        while True:
            self.clock.sleep_until(self.clock.now() + LOOK)
            self._keep_alive()
            for command in self.services.operator.commands():
                if command.verb == "resume":
                    return
                if command.verb != "pause":
                    self._obey(command)

    def wait(self, seconds: float) -> None:
        """Let time pass, looking at commands and at the age of the acknowledgement."""
        until = self.clock.now() + seconds
        while (left := until - self.clock.now()) > 0.0:
            self.clock.sleep_until(self.clock.now() + min(left, LOOK))
            self.heed()

    # readings

    @contextmanager
    def feed(self, source: InstrumentSource, limits: Limits | None) -> Iterator[Feed]:
        """The feed of a source, through the door that fits the step."""
        feed = self._open(source, limits)
        self.held.forget()
        try:
            self.services.store.instruments(self.services.tools.facts())
            yield feed
        finally:
            feed.close()

    def _open(self, source: InstrumentSource, limits: Limits | None) -> Feed:
        if self.step.hazard is None:
            return SafePoint(source, limits).open(self.services.tools, self.guard.leads)
        acknowledgement = self.guard.acknowledgement
        if acknowledgement is None:
            raise Lapsed(self.guard.reason or "no acknowledgement")
        self.guard.leads.require(source, self.step.hazard)
        point = HazardousPoint(source, limits, self.step.hazard, self.step.id, self.guard.moment)
        return point.open(self.services.tools, acknowledgement)

    def take(self, feed: Feed, source: InstrumentSource, limits: Limits | None) -> Item | None:
        """The next thing from a feed within `REFRESH`: recorded, shown, and held against the ceiling.

        `counted` then has the readings from which something may be concluded.
        """
        self.heed()
        self.counted = []
        try:
            item = feed.next(self.clock.now() + REFRESH)
        except Refused as error:
            raise self._refused(error) from error
        match item:
            case Reading():
                taken = self._taken(item, source, limits)
                self.counted = self.held.add(taken)
                return taken
            case LinkDown():
                self.held.forget()
                self._lost(item)
            case LinkUp():
                self._back(item)
            case None:
                self._still_away()
        return item

    def confirmed(self, feed: Feed, source: InstrumentSource, limits: Limits | None) -> bool:
        """Wait until every reading taken so far counts; False if one of them never will, or no look came in time."""
        dropped, until = self.held.dropped, self.clock.now() + CONFIRMED_WITHIN
        while self.held.waiting and self.held.dropped == dropped and self.clock.now() < until:
            self.take(feed, source, limits)
        return not self.held.waiting and self.held.dropped == dropped

    def _refused(self, error: Refused) -> Lapsed | Breach:
        """What a refusal to read means: the acknowledgement is gone, or there was danger where none was declared."""
        if self.step.hazard is not None:
            return Lapsed(self.guard.reason or error.message)
        self.guard.breached()
        return Breach(error.message)

    def waveform(self, feed: Feed, source: InstrumentSource, wait: float = 20.0) -> Waveform | None:
        """A whole record from a scope, kept; None if none came in `wait` seconds."""
        self.heed()
        try:
            wave = feed.waveform(self.clock.now() + wait)
        except Refused as error:
            raise self._refused(error) from error
        if wave is not None:
            self.services.store.waveform(self.row, channel_name(source), wave, self.clock.now())
            self._hold_record(wave, source)
        return wave

    def _hold_record(self, wave: Waveform, source: InstrumentSource) -> None:
        """A record that reaches beyond what the step may meet ends the job, as a reading does."""
        hazard = self.services.procedure.hazards.get(self.step.hazard or "")
        limit = PEAK_LIMIT if hazard is None else hazard.highest
        reached = max(abs(float(wave.volts.min())), abs(float(wave.volts.max())))
        if reached > limit:
            self.guard.breached()
            raise Breach(
                f"{source.point or channel_name(source)} reaches {show(reached, 'V')}, above {show(limit, 'V')}."
            )

    def _taken(self, reading: Reading, source: InstrumentSource, limits: Limits | None) -> Reading:
        channel = channel_name(source)
        if self._gap is not None:  # it came back while the hold point was asked again
            now = self.clock.now()
            self._back(LinkUp(now, source.instrument, now - self._gap[1]))
        self.services.store.reading(self.row, channel, reading)
        self.last = reading
        if reading.usable and reading.value is not None:
            self.seen.append(reading.value)
        self.tell(ReadingTaken(self.step.id, channel, reading))
        if changed := reading.flags & AT_PANEL:
            self.say_once(changed, channel, f"{channel}: {CHANGED_WORDS}")
        if reading.flags & Flag.WRONG_FUNCTION:
            self.say_once(Flag.WRONG_FUNCTION, channel, reading.text)
        for flag in reading.flags & CAUTIONS:
            self.say_once(flag, channel, f"{source.point or channel}: {CAUTION_WORDS[flag]}.")
        self._hold_seen(reading, source, limits)
        if (ceiling := breached(self.step, source, limits, reading)) is not None:
            self.guard.breached()
            raise Breach(f"{source.point or channel} is at {_shown(reading)}, above {show(ceiling, reading.unit)}.")
        return reading

    def say_once(self, about: Flag | str, channel: str, words: str, level: str = "warning") -> None:
        """What a hand must do first, or what to know before believing a channel: once in a step, for one asking is
        enough."""
        if (about, channel) not in self._said:
            self._said.add((about, channel))
            self.say(words, level)

    def _hold_seen(self, reading: Reading, source: InstrumentSource, limits: Limits | None) -> None:
        """The hold point looks at every reading of its own point."""
        hazard = self.services.procedure.hazards.get(self.step.hazard or "")
        if hazard is None or not hazard.is_test_point(source.point):
            return
        if not reading.usable and not reading.flags & Flag.OVERLOAD:
            return
        phase = self.guard.see(reading.value, bool(reading.flags & Flag.OVERLOAD))
        if phase is HoldPhase.LAPSED and breached(self.step, source, limits, reading) is None:
            raise Lapsed(self.guard.reason)

    def _lost(self, lost: LinkDown) -> None:
        now, stamp = self.clock.now(), self.clock.stamp()
        self._gap = (self.services.store.open_gap(self.row, lost.instrument, lost.reason, now, stamp), now)
        self.restarted = True
        self.tell(replace(lost, step=self.step.id))
        if self.step.hazard is not None:
            self.guard.lapse(HoldMove.LINK_LOST)
            raise Lapsed(f"{lost.instrument} lost: {lost.reason}")

    def _back(self, back: LinkUp) -> None:
        if self._gap is not None:
            self.services.store.close_gap(self._gap[0], self.clock.now(), self.clock.stamp())
            self._gap = None
        self.restarted = True
        self.tell(replace(back, step=self.step.id))

    def _still_away(self) -> None:
        if self._gap is not None and self.clock.now() - self._gap[1] > AWAY:
            raise LinkLost(f"An instrument was away for {AWAY:.0f} s.", next_step="Check its cable and power.")


def channel_name(source: InstrumentSource) -> str:
    """As the record names it: "meter", "scope.2"."""
    channel = getattr(source, "channel", None)
    return source.instrument if channel is None else f"{source.instrument}.{channel}"


def breached(step: Step, source: InstrumentSource, limits: Limits | None, reading: Reading) -> float | None:
    """The ceiling that a reading is above, or None: the file's, or what can hurt where no hazard was declared.

    Overload is above any ceiling that the file gives; without one it is only a range that was too small.
    """
    declared = None if limits is None else limits.ceiling
    if declared is not None and (reading.flags & Flag.OVERLOAD or _beyond(reading, declared)):
        return float(declared)
    harmless = hazardous_limit(source) if step.hazard is None else None
    return harmless if harmless is not None and _beyond(reading, harmless) else None


def _beyond(reading: Reading, limit: float) -> bool:
    """True for a number above the limit, whatever its flags."""
    return reading.value is not None and abs(reading.value) > limit


def _shown(reading: Reading) -> str:
    if reading.flags & Flag.OVERLOAD or reading.value is None:
        return "more than can be shown"
    return show(reading.value, reading.unit)
