"""Practice: a person at the keyboard turns simulated trimmers, and a simulated mate does the rest at the bench.

The mate moves probes, switches power and discharges as the steps ask; it never turns a trimmer and never answers
for the person: the hold point takes the words that the person types.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from ..procedure.model import Procedure
from ..session.notices import Notice, StepStarted, TrimMoved
from ..session.operators import Command, EntryRequest, HoldRequest, Operator, Question

HELP = "arrows: left/right turn, up/down turn finely, shift coarsely"
# Part of the whole travel that one press turns, and which way.
TURNS = {
    "left": -1 / 90, "right": 1 / 90, "down": -1 / 540, "up": 1 / 540,
    "shift-left": -1 / 18, "shift-right": 1 / 18, "shift-down": -1 / 540, "shift-up": 1 / 540,
}  # fmt: skip


class Practice:
    """An operator made of a person and a mate."""

    attended = True
    acts_for_person = False

    def __init__(self, mate: Any, hands: Any, procedure: Procedure) -> None:
        self._mate = mate
        self._hands = hands
        self._travel = {t.name: t.travel for step in procedure.steps for t in step.trimmers}
        self._in_hand = ""
        self._person: Operator | None = None
        self.name = ""

    def with_person(self, person: Operator) -> Practice:
        """The same, with who answers."""
        self._person, self.name = person, person.name
        return self

    def key(self, key: str) -> bool:
        """Turn the trimmer in hand; True if the key was one for turning."""
        if key not in TURNS:
            return False
        if self._in_hand in self._travel:
            self._hands.turn(self._in_hand, TURNS[key] * self._travel[self._in_hand])
        return True

    @property
    def _you(self) -> Operator:
        assert self._person is not None
        return self._person

    def acknowledge(self, hold: HoldRequest) -> str | None:
        typed = self._you.acknowledge(hold)
        if typed is not None:
            self._mate.acknowledge(hold)
        return typed

    def choose(self, question: Question) -> str | None:
        chosen = self._you.choose(question)
        if chosen is not None and question.about != "turn":
            self._mate.choose(question)
        return chosen

    def enter(self, request: EntryRequest) -> str | None:
        return self._you.enter(request)

    def hands_off(self, step: str, reason: str) -> bool:
        return self._you.hands_off(step, reason)

    def notify(self, notice: Notice) -> None:
        if isinstance(notice, StepStarted):
            self._in_hand = notice.trimmer
            self._mate.notify(notice)
        elif isinstance(notice, TrimMoved):  # of several trimmers the one that is to be turned
            self._in_hand = notice.trimmer
        self._you.notify(notice)

    def commands(self) -> Sequence[Command]:
        return self._you.commands()
