"""An operator that follows a script: for tests and for machines that run without a person. It turns nothing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from .notices import Notice
from .operators import Command, EntryRequest, HoldRequest, Question


class ScriptedOperator:
    """Answers from what it was given.

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
