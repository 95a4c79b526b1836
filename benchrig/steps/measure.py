"""A value is read and judged; nothing is turned."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from ..procedure.keys import Duration, Limited, Lower, Read, with_ceiling
from ..procedure.notes import Notes
from ..procedure.quantities import ReadingClass
from ..procedure.step import Part, Step
from ..records.facts import StepResult
from ..session.reading_class import shape_of
from ..session.results import COMES_AND_GOES, Done, Results, absent, with_hint, with_shape
from ..session.steady_value import look
from ..session.verdicts import judged
from ..session.work import Work
from ..tomlfile import KeyPath
from ..units import show

AGAIN = ("measure again", "record it")
FIRST_LOOK = "first look"  # among the details of a result that was measured again


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
        """A value that is out, or none, may be measured again before it is recorded; both looks are kept.

        What dips or steps may not: it was there, however well the next look goes.
        """
        result, shape = self._look(work)
        first: StepResult | None = None
        if result.verdict == "fail" and shape not in COMES_AND_GOES and self._again(work, result, results):
            first = result
            result, shape = self._look(work)
        ended = with_hint(self, result) if shape is None else with_shape(self, result, shape, results)
        return Done(ended if first is None else second_look(ended, first))

    def _look(self, work: Work) -> tuple[StepResult, ReadingClass | None]:
        """One look: its verdict, and how the value behaves where it does not stand."""
        limits = self.limits
        work.seen.clear()
        work.wait(self.settle)
        found = look(work, self.source, limits, self.readings, self.settle).value(limits)
        if found is None:
            return absent(self, limits.unit, limits, "No usable reading came."), None
        return judged(found, limits, work.rule), shape_of(list(work.seen), limits)

    def _again(self, work: Work, result: StepResult, results: Results) -> bool:
        """True if the person wants a second look. Where nobody is there nobody is asked."""
        if not work.services.operator.attended:
            return False
        told = "No usable reading came" if result.value is None else f"{show(result.value, result.unit)} is out"
        same = results.reads_like_before(self.id, result)
        place = self.source.point or self.title
        asked = f", and the same was read in {same!r}: is the lead on {place}?" if same else "."
        hands = "Hands stay out." if self.hazard else f"Look at the leads: {place}."
        return work.choose(f"{self.title}: {told}{asked} {hands}", AGAIN, "measure again") == AGAIN[0]


def second_look(result: StepResult, first: StepResult) -> StepResult:
    """The result of a second look, with what the first one gave."""
    kept = {"value": first.value, "uncertainty": first.uncertainty, "verdict": first.verdict, "words": first.words}
    gave = "no reading" if first.value is None else show(first.value, first.unit)
    words = "; ".join(part for part in (result.words, f"measured again: {gave} at first") if part)
    return replace(result, words=words, details={**result.details, FIRST_LOOK: kept})
