"""Power off, discharge, and see the point of a hazard below its limit, where the file says so."""

from __future__ import annotations

from typing import ClassVar, Literal

from ..procedure.keys import Sourced
from ..procedure.notes import Notes
from ..procedure.quantities import MeterSource
from ..procedure.step import Neighbours, Part, Step
from ..records.facts import StepResult
from ..session.results import Done, Results
from ..session.work import Work
from ..tomlfile import KeyPath


class MakeSafe(Sourced, Step):
    """Its source, if it has one, is the meter that shows that the point is safe."""

    unread: ClassVar[str] = ""

    kind: Literal["make-safe"] = "make-safe"

    def parts(self) -> tuple[Part, ...]:
        found = self.named_source()
        return (Part(found),) if isinstance(found, MeterSource) else ()

    @property
    def sees_to_power(self) -> bool:
        return True

    def check_keys(self, path: KeyPath, notes: Notes) -> None:
        self.check_source(path, notes, needed=False)
        if self.named_source() is not None and not isinstance(self.named_source(), MeterSource):
            notes.add(path, "Only a meter shows that a point is safe.", "Give a meter's `instrument` and `function`.")

    def check(self, others: Neighbours, path: KeyPath, notes: Notes) -> None:
        if self.hazard is None:
            notes.add(path, "It must be said what is made safe.", "Add hazard = ...")

    def run(self, work: Work, results: Results) -> Done:
        """Everything that was live was made safe before this step could begin; it only says so in the record."""
        work.guard.need_power(False)
        return Done(StepResult("done" if work.guard.power is False else "fail"))
