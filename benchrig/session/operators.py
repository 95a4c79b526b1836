"""The person, or who stands in for the person.

Four of them: at the terminal (`benchrig.ui.terminal`), scripted, simulated (`benchrig.sim_instruments`) and absent.
The session asks and tells through these few methods and never knows which one it has.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from ..clock import Clock
from ..records.facts import Store
from .notices import Notice


@dataclass(frozen=True, slots=True)
class HoldRequest:
    """A hold point: what must be in place and what must be typed before a hazardous step begins."""

    step: str
    title: str
    unit_serial: str
    test_point: str
    expected: str  # "9.40 kV"
    cautions: Sequence[str]
    in_place: Sequence[str]  # each is confirmed in order
    phrase: str  # the exact words to type; name the test point and the expected voltage
    purpose: str = "work"  # or "check": power is off and discharged, and the point is looked at to see that it is


@dataclass(frozen=True, slots=True)
class Question:
    """Something only eyes and hands can answer."""

    step: str
    text: str
    choices: Sequence[str] = ("done", "not done")  # the first is what a good answer is, where one is
    # "observe", "connect", "power on", "power off", "mark", "leave alone", "put back", "turn", "look again",
    # "measure again"
    about: str = "confirm"
    trimmer: str = ""  # of a "turn", "mark" or "put back"; of a "mark" several with commas between
    distance: float | None = None  # of a "turn": target - value, in base units


@dataclass(frozen=True, slots=True)
class EntryRequest:
    """A quantity the person reads and types, such as millimetres from a ruler."""

    step: str
    text: str
    unit: str


@dataclass(frozen=True, slots=True)
class Command:
    """What the person wants besides: "pause", "resume", "skip", "mark", "stop", "acknowledge" (open alarms),
    "turned".

    Skip and mark carry words; those of "turned" say which way ("clockwise", "counter-clockwise"), or, where there are
    none, that the turn which was asked for is done.
    """

    verb: str
    words: str = ""


class Operator(Protocol):
    """Somebody who can be asked."""

    name: str
    attended: bool  # hands and eyes are at the bench
    acts_for_person: bool  # scripted or simulated: may acknowledge only where every instrument is a double

    def acknowledge(self, hold: HoldRequest) -> str | None:
        """The phrase as typed, or None to refuse."""
        ...

    def choose(self, question: Question) -> str | None:
        """One of `question.choices`, or None to refuse."""
        ...

    def enter(self, request: EntryRequest) -> str | None:
        """A quantity as typed ("18.1 mm"), or None to refuse."""
        ...

    def hands_off(self, step: str, reason: str) -> bool:
        """Ask for hands off and away; True once they are."""
        ...

    def notify(self, notice: Notice) -> None:
        """Show it. Must return at once."""
        ...

    def commands(self) -> Sequence[Command]:
        """What was commanded since the last call. Must return at once."""
        ...


def ask(operator: Operator, question: Question, store: Store, row: int | None, clock: Clock) -> str | None:
    """What the person chose, recorded under the step of `row` if there is one; None if they would not."""
    chosen = operator.choose(question)
    facts = {"asked": question.text, "about": question.about, "chosen": chosen}
    store.event(row, "answer", facts, clock.now(), clock.stamp())
    return chosen


class ForwardedOperator:
    """Somebody else, reached through this: who is told or asked something besides changes only what that takes."""

    def __init__(self, operator: Operator) -> None:
        self._operator = operator
        self.name = operator.name
        self.attended = operator.attended
        self.acts_for_person = operator.acts_for_person

    def acknowledge(self, hold: HoldRequest) -> str | None:
        return self._operator.acknowledge(hold)

    def choose(self, question: Question) -> str | None:
        return self._operator.choose(question)

    def enter(self, request: EntryRequest) -> str | None:
        return self._operator.enter(request)

    def hands_off(self, step: str, reason: str) -> bool:
        return self._operator.hands_off(step, reason)

    def notify(self, notice: Notice) -> None:
        self._operator.notify(notice)

    def commands(self) -> Sequence[Command]:
        return self._operator.commands()


class AbsentOperator:
    """Nobody is at the bench: refuses what needs hands, eyes or a decision; `show` is told everything all the same."""

    name = "nobody"
    attended = False
    acts_for_person = True

    def __init__(self, show: Callable[[Notice], None] = lambda notice: None) -> None:
        self._show = show

    def acknowledge(self, hold: HoldRequest) -> str | None:
        return None

    def choose(self, question: Question) -> str | None:
        return None

    def enter(self, request: EntryRequest) -> str | None:
        return None

    def hands_off(self, step: str, reason: str) -> bool:
        return True  # there are none

    def notify(self, notice: Notice) -> None:
        self._show(notice)

    def commands(self) -> Sequence[Command]:
        return ()


class ScriptedOperator:
    """Follows a script, for tests and for machines that run without a person; turns nothing.

    choices      step id -> what to choose there; elsewhere the first choice
    entries      step id -> what to type there, one after the other; the last one again when they run out
    phrases      hold point phrases by step id; elsewhere the right one. None refuses
    refuse       refuse every hold point
    commands     (number of looks, command): given when it has been asked for commands that often
    """

    attended = True
    acts_for_person = True

    def __init__(
        self,
        name: str = "script",
        *,
        choices: Mapping[str, str] | None = None,
        entries: Mapping[str, Sequence[str]] | None = None,
        phrases: Mapping[str, str | None] | None = None,
        refuse: bool = False,
        commands: Iterable[tuple[int, Command]] = (),
    ) -> None:
        self.name = name
        self.told: list[Notice] = []
        self._choices = dict(choices or {})
        self._entries = {step: list(typed) for step, typed in (entries or {}).items()}
        self._phrases = dict(phrases or {})
        self._refuse = refuse
        self._commands = sorted(commands, key=lambda pair: pair[0])
        self._looks = 0

    def acknowledge(self, hold: HoldRequest) -> str | None:
        if self._refuse:
            return None
        return self._phrases.get(hold.step, hold.phrase)

    def choose(self, question: Question) -> str | None:
        wanted = self._choices.get(question.step)
        return wanted if wanted in question.choices else question.choices[0]

    def enter(self, request: EntryRequest) -> str | None:
        typed = self._entries.get(request.step)
        if not typed:
            return None
        return typed.pop(0) if len(typed) > 1 else typed[0]

    def hands_off(self, step: str, reason: str) -> bool:
        return True

    def notify(self, notice: Notice) -> None:
        self.told.append(notice)

    def commands(self) -> Sequence[Command]:
        self._looks += 1
        due = [command for looks, command in self._commands if looks <= self._looks]
        self._commands = [pair for pair in self._commands if pair[0] > self._looks]
        return due
