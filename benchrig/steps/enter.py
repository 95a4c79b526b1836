"""The person types a quantity, read from a ruler, a screen or another meter."""

from __future__ import annotations

from typing import ClassVar, Literal

from ..procedure.keys import Limited, Words, base_unit, check_base_unit
from ..procedure.notes import Notes
from ..procedure.quantities import TypedSource
from ..procedure.step import Part, Step
from ..session.results import Done, Results, absent, with_hint
from ..session.typed_value import typed_value
from ..session.verdicts import judged
from ..session.work import Work
from ..tomlfile import KeyPath


class Enter(Limited, Step):
    """`entered` is the unit in which it is typed."""

    measures: ClassVar[bool] = True

    kind: Literal["enter"] = "enter"
    entered: Words
    point: str = ""

    @property
    def source(self) -> TypedSource:
        """What is asked for."""
        return TypedSource(base_unit(self.entered), self.point, self.entered)

    @property
    def unit(self) -> str:
        return self.source.unit

    def parts(self) -> tuple[Part, ...]:
        return (Part(self.source, self.limits),)

    @property
    def value_unit(self) -> str:
        return self.unit

    def check_keys(self, path: KeyPath, notes: Notes) -> None:
        check_base_unit(self.entered, (*path, "entered"), notes)
        self.check_limits(path, notes)

    def run(self, work: Work, results: Results) -> Done:
        found = typed_value(work, self.source, self.instruction or self.title)
        if found is None:
            return Done(absent(self, self.source.unit, self.limits, "Nothing was entered."))
        return Done(with_hint(self, judged(found, self.limits, work.rule)))
