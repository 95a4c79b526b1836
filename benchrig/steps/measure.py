"""A value is read and judged; nothing is turned."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from ..procedure.keys import Duration, Limited, Lower, Read, with_ceiling
from ..procedure.notes import Notes
from ..procedure.step import Part, Step
from ..session.classing import shape_of
from ..session.looking import look
from ..session.results import Done, Results, absent, with_hint, with_shape
from ..session.verdicts import judged
from ..session.work import Work
from ..tomlfile import KeyPath


class Measure(Read, Limited, Step):
    """`settle` seconds pass before the first of the readings counts."""

    measures: ClassVar[bool] = True
    only_looks: ClassVar[bool] = True

    kind: Literal["measure"] = "measure"
    settle: Duration = 0.0
    readings: Annotated[int, Field(ge=1, le=1000)] = 5

    def parts(self) -> tuple[Part, ...]:
        return (Part(self.source, self.limits),)

    @property
    def value_unit(self) -> str:
        return self.unit

    def check_keys(self, path: KeyPath, notes: Notes) -> None:
        self.check_source(path, notes)
        self.check_limits(path, notes)

    def with_ceilings(self, lower: Lower) -> Measure:
        return with_ceiling(self, lower)

    def run(self, work: Work, results: Results) -> Done:
        limits = self.limits
        work.seen.clear()
        work.wait(self.settle)
        found = look(work, self.source, limits, self.readings, self.settle).value(limits)
        if found is None:
            return Done(absent(self, limits.unit, limits, "No usable reading came."))
        result = judged(found, limits, work.rule)
        shape = shape_of(list(work.seen), limits)
        if shape is None:
            return Done(with_hint(self, result))
        return Done(with_shape(self, result, shape, results))
