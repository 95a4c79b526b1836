"""The person does something and says so."""

from __future__ import annotations

from typing import ClassVar, Literal

from ..procedure.step import Step
from ..records.facts import StepResult
from ..session.learned_ways import cleaned
from ..session.results import Done, Results
from ..session.work import Work

DONE, NOT_DONE = "done", "not done"


class Confirm(Step):
    """Its instruction is what is to be done. What is cleaned in it is known to be clean from then on."""

    prepares: ClassVar[bool] = True
    unread: ClassVar[str] = ""

    kind: Literal["confirm"] = "confirm"

    @property
    def answers(self) -> tuple[str, ...]:
        return DONE, NOT_DONE

    @property
    def asked_again(self) -> bool:
        return self.safety

    def run(self, work: Work, results: Results) -> Done:
        chosen = work.choose(self.instruction or self.title, self.answers, "confirm")
        good = chosen == DONE
        cleans = good and bool(self.cleans)
        if cleans:
            cleaned(work, self.cleans)
        words = "" if good else chosen or "no answer"
        return Done(StepResult("done" if good else "fail", words=words), cleans, chosen or "")
