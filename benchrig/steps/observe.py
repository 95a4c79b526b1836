"""The person says which of several things is seen."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from ..procedure.keys import Words
from ..procedure.notes import Notes
from ..procedure.step import Step
from ..records.facts import StepResult
from ..session.results import Done, Results
from ..session.work import Work
from ..tomlfile import KeyPath


class Observe(Step):
    """`good` are those of the choices that are right."""

    unread: ClassVar[str] = ""

    kind: Literal["observe"] = "observe"
    choices: Annotated[list[Words], Field(min_length=2)]
    good: Annotated[list[Words], Field(min_length=1)]

    @property
    def answers(self) -> tuple[str, ...]:
        return tuple(self.choices)

    def check_keys(self, path: KeyPath, notes: Notes) -> None:
        for index, words in enumerate(self.good):
            if words not in self.choices:
                notes.add((*path, "good", index), f"{words!r} is not one of the choices.", "Copy it from `choices`.")

    def run(self, work: Work, results: Results) -> Done:
        chosen = work.choose(self.instruction or self.title, self.answers, "observe")
        verdict = "pass" if chosen in self.good else "fail"
        return Done(StepResult(verdict, words=chosen or "no answer"), answer=chosen or "")
