"""One trimmer is turned until the value is inside its window.

Rules kept here:
- What is right already, and stands, is offered to be left alone.
- What could not be brought in is put back, if the person wants that.
"""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar, Literal

from ..procedure.keys import Aimed, Lower, with_ceiling
from ..procedure.notes import Notes
from ..procedure.quantities import Axis, ReadingClass, TypedSource
from ..procedure.step import HandStep, Part
from ..records.facts import StepResult
from ..session.hand_steps import (
    TO_SET,
    as_found,
    as_left,
    end_of_travel,
    left_alone,
    looked_twice,
    mark,
    moved,
    noise_known,
    seen_to_jump,
    turn,
)
from ..session.results import Done, Results, absent, with_hint
from ..session.tools import InstrumentSource
from ..session.turning import goal_of, turn_watched
from ..session.verdicts import Value, judged, right_already
from ..session.work import Work
from ..tomlfile import KeyPath
from ..trim.types import Goal
from ..units import show

JUMPS = "its wiper jumps: clean it"  # also the answer that a cleaning step can ask for
BACK_WITHIN = 120.0  # s for bringing a trimmer back to where it was


class Trim(Aimed, HandStep):
    """`counted`: turned by stated parts of a turn, for a reading too slow to follow; None: as its pace asks."""

    measures: ClassVar[bool] = True

    kind: Literal["trim"] = "trim"
    counted: bool | None = None

    def parts(self) -> tuple[Part, ...]:
        return (Part(self.source, self.limits, self.turned, aims=(self.target.value,)),)

    @property
    def answers(self) -> None:
        return None

    @property
    def value_unit(self) -> str:
        return self.unit

    def check_keys(self, path: KeyPath, notes: Notes) -> None:
        self.check_aim(path, notes)

    def with_ceilings(self, lower: Lower) -> Trim:
        return with_ceiling(self, lower)

    def run(self, work: Work, results: Results) -> Done:
        axis = self.aim
        limits = axis.limits
        found = as_found(work, self, axis)
        if found is None:
            return Done(absent(self, limits.unit, limits, "No usable value came."))
        if left_alone(work, axis, found):
            found = looked_twice(work, self, axis, found)
            if right_already(found, limits, work.rule):
                return Done(as_left(judged(found, limits, work.rule, "left alone"), results.first(self.id, found)))
        if axis.span is not None and abs(found.value - axis.target) > axis.span:
            return Done(self._out_of_reach(judged(found, limits, work.rule)))
        if work.only_looking:
            return Done(with_hint(self, as_left(judged(found, limits, work.rule, TO_SET), found)), to_do=True)
        mark(work, axis.trimmer, found)
        first = results.first(self.id, found)
        goal = goal_of(axis, self, found.pace, counted=self.counted)
        noise_known(work, axis, found)
        final = turn(work, self, axis, goal)
        if final is None:
            end = end_of_travel(work, axis)
            now, words = self._put_back(work, axis, goal, found)
            words = f"{end}; {words}" if end else words
            return Done(with_hint(self, as_left(judged(now, limits, work.rule, words), first)), True)
        jumps = JUMPS if seen_to_jump(work, axis) else ""
        result = as_left(judged(final, limits, work.rule, jumps), first)
        return Done(result, moved(found, final, limits), answer=jumps)

    def _out_of_reach(self, result: StepResult) -> StepResult:
        """Further off than the trimmer's whole travel: something else is wrong, and turning would only hide it."""
        hint = self.hints.get(ReadingClass.ALL_OFFSET, "")
        words = f"{self.trimmer} cannot reach that far"
        return replace(result, verdict="fail", words=f"{words}; {ReadingClass.ALL_OFFSET}: {hint}" if hint else words)

    def _put_back(self, work: Work, axis: Axis, goal: Goal, found: Value) -> tuple[Value, str]:
        """What could not be brought in goes back to where it was, if the person wants that; the value it has then.

        By its mark, and where the value is read live by the gauge, to the value as found.
        """
        name = axis.trimmer.name
        where = f"{show(found.value, found.unit)} as found"
        text = f"{name} was not brought in. Put it back to where it stood ({where})?"
        if work.choose(text, ("put back", "leave"), "put back", name) != "put back":
            return as_found(work, self, axis) or found, "not brought in"
        if not isinstance(axis.source, TypedSource):
            guide_back(work, axis, goal, found, axis.source)
        now = as_found(work, self, axis)
        if now is None:
            return found, "not brought in; put back, and not read again"
        return now, f"not brought in; put back to {show(now.value, now.unit)}"


def guide_back(work: Work, axis: Axis, goal: Goal, found: Value, source: InstrumentSource) -> None:
    """The same gauge, with the value as found for its target and a quarter of the window each way."""
    reach = max((goal.high - goal.low) / 4.0, 3.0 * found.spread)
    old = replace(goal, target=found.value, low=found.value - reach, high=found.value + reach)
    work.say(f"{axis.trimmer.name} goes back to {show(found.value, found.unit)}. Follow the gauge.")
    turn_watched(work, axis, old, source, BACK_WITHIN)
