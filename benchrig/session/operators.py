"""The person, or who stands in for the person.

Four of them: at the terminal (`benchrig.ui.terminal`), scripted, simulated (`benchrig.sim_instruments`) and absent.
The session asks and tells through these few methods and never knows which one it has.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

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
