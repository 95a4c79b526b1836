"""Several trimmers that move each other's values: which to turn next, and until what is read, from what they do.

`trim.coupled` learns what each trimmer does to all of the values, and says what to turn next; the turning itself is
a trim like any other, on whichever value shows that trimmer best.

Rules kept here:
- After each turn the other values are read again: nothing is taken from a value that a trimmer has moved since.
- It ends when all of them are inside together, with something to spare; or when the turns run out, and then says so.
- About how far to turn is only said where it is known: from what the whole travel does, or from counted turns.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from ..procedure.keys import Aimed, Lower, with_ceiling
from ..procedure.notes import Notes
from ..procedure.quantities import Axis
from ..procedure.step import HandStep, Part
from ..records.facts import StepResult
from ..session.hand_steps import TO_SET, as_found, end_of_travel, mark, turn
from ..session.interruptions import Skipped
from ..session.notices import TurnAdvised
from ..session.results import Done, Results, absent
from ..session.turning import goal_of, quantity_of
from ..session.verdicts import Value, creeps, judged, right_already
from ..session.work import Work
from ..tomlfile import KeyPath
from ..trim import coupled
from ..trim.coupled import Advice, Coupling
from ..trim.types import Goal, Known, Way

Values = list[Value]
TO_SPARE = 0.8  # of a window, from its target, is what is aimed for
LEARNING = 0.5  # s for which a value must stand that is only to show what a trimmer does
VERDICTS = ("pass", "conditional pass", "conditional fail", "fail")  # from good to bad


class Coupled(HandStep):
    """The file's own keys: `rounds` of turns at the most; `counted` as for a trim."""

    measures: ClassVar[bool] = True

    kind: Literal["coupled"] = "coupled"
    axis: Annotated[list[Aimed], Field(min_length=2, max_length=4)]
    rounds: Annotated[int, Field(ge=1, le=50)] = 6
    counted: bool | None = None

    @property
    def axes(self) -> tuple[Axis, ...]:
        """What is turned to which values."""
        return tuple(it.aim for it in self.axis)

    def parts(self) -> tuple[Part, ...]:
        return tuple(
            Part(it.source, it.limits, it.trimmer, ("axis", place), (it.target,)) for place, it in enumerate(self.axes)
        )

    @property
    def answers(self) -> None:
        return None

    def check_keys(self, path: KeyPath, notes: Notes) -> None:
        for place, it in enumerate(self.axis):
            it.check_aim((*path, "axis", place), notes)

    def with_ceilings(self, lower: Lower) -> Coupled:
        return self.model_copy(update={"axis": [with_ceiling(it, lower) for it in self.axis]})

    def run(self, work: Work, results: Results) -> Done:
        """Turn after turn as advised, until all values hold together."""
        axes = self.axes
        found = read_all(work, self)
        if found is None:
            return Done(absent(self, axes[0].source.unit, axes[0].limits, "No usable value came."))
        if all(right_already(value, axis.limits, work.rule) for value, axis in zip(found, axes, strict=True)):
            return Done(joined(work, self, found, found, "left alone"))
        if work.only_looking:
            return Done(joined(work, self, found, found, TO_SET), to_do=True)
        for value, axis in zip(found, axes, strict=True):
            mark(work, axis.trimmer, value)
        final = set_together(work, self, found)
        names = " and ".join(axis.trimmer.name for axis in axes)
        if not _all_inside(self, final):
            return Done(
                replace(joined(work, self, final, found, ""), verdict="fail", words=f"{names} keep fighting"), True
            )
        return Done(joined(work, self, final, found, ""), True)


def set_together(work: Work, step: Coupled, values: Values) -> Values:
    """The values after the last turn. Raises Skipped where a trimmer could not be turned to what was asked."""
    goals = [
        goal_of(axis, step, value.pace, counted=step.counted) for axis, value in zip(step.axes, values, strict=True)
    ]
    state = coupled.start([_narrower(goal) for goal in goals])
    last: int | None = None
    for _ in range(step.rounds * len(step.axes)):
        advice = advise(state, values, last)
        if advice is None:
            return values
        before, last = values, advice.trimmer
        tell(work, step, state, advice, values)
        axis = axis_of(step, advice)
        hold = min(step.hold, LEARNING) if advice.learning else step.hold
        turned = turn(work, step, axis, replace(advice.goal, hold=hold))
        after = None if turned is None else read_all(work, step, {advice.quantity: turned})
        if after is None:
            raise Skipped(f"{axis.trimmer.name} was not brought in: {end_of_travel(work, axis)}".removesuffix(": "))
        values = after
        state = coupled.turned(state, last, [it.value for it in before], [it.value for it in values])
    return values


def advise(state: Coupling, values: Values, last: int | None) -> Advice | None:
    """What to turn next; the trimmer in hand only where the advice is not met already."""
    here = [value.value for value in values]
    advice = coupled.advise(state, here, last)
    if advice is None or advice.trimmer != last or not advice.goal.low <= here[advice.quantity] <= advice.goal.high:
        return advice
    return coupled.advise(state, here)


def _narrower(goal: Goal) -> Goal:
    """Aimed for so that what is read to be inside is not at the very edge."""
    low, high = (goal.target + TO_SPARE * (edge - goal.target) for edge in (goal.low, goal.high))
    return replace(goal, low=low, high=high)


def read_all(work: Work, step: Coupled, just_read: Mapping[int, Value] | None = None) -> Values | None:
    """Every value as it stands; None if one of them does not come."""
    given = just_read or {}
    found = [given.get(i) or as_found(work, step, axis) for i, axis in enumerate(step.axes)]
    known = [value for value in found if value is not None]
    return known if len(known) == len(step.axes) else None


def _all_inside(step: Coupled, values: Values) -> bool:
    return all(axis.limits.holds(value.value) for value, axis in zip(values, step.axes, strict=True))


def axis_of(step: Coupled, advice: Advice) -> Axis:
    """The trimmer to turn with the value to watch; what its whole travel does is known for its own value only."""
    watched, turned = step.axes[advice.quantity], step.axes[advice.trimmer]
    span = turned.span if advice.quantity == advice.trimmer else None
    return Axis(watched.source, watched.limits, advice.goal.target, turned.trimmer, span)


def tell(work: Work, step: Coupled, state: Coupling, advice: Advice, values: Values) -> None:
    """Say which to turn and until what is read; about how far and which way, where that is known."""
    axis, goal = step.axes[advice.quantity], advice.goal
    trimmer, quantity = step.axes[advice.trimmer].trimmer, quantity_of(axis.source)
    value = values[advice.quantity].value
    raises = raises_of(work, step, state, advice)
    size = gain_of(work, step, state, advice)
    rising = (goal.target > value) == (raises is Way.CLOCKWISE)
    way = None if raises is None else Way.CLOCKWISE if rising else Way.COUNTER_CLOCKWISE
    degrees = None
    if way is not None and size:
        degrees = math.copysign(abs(goal.target - value) / size, 1.0 if way is Way.CLOCKWISE else -1.0)
    advised = TurnAdvised(
        step.id, trimmer.name, quantity, value, goal.target, goal.unit, degrees, way, learning=advice.learning
    )
    work.tell(advised)


def raises_of(work: Work, step: Coupled, state: Coupling, advice: Advice) -> Way | None:
    """Which way raises the watched value; from the trimmer's own value where only that one's is known, and kept."""
    axis, own = step.axes[advice.quantity], step.axes[advice.trimmer]
    known, direction = work.services.known, state.directions[advice.trimmer]
    key = (own.trimmer.name, quantity_of(axis.source))
    seen, seen_own = known.get(key), known.get((own.trimmer.name, quantity_of(own.source)))
    if seen is not None and seen.raises is not None:
        return seen.raises
    if seen_own is None or seen_own.raises is None or direction is None:
        return None
    same = direction[advice.quantity] * direction[advice.trimmer] > 0.0
    raises = seen_own.raises if same else seen_own.raises.other
    known[key] = replace(seen or Known(), raises=raises)
    return raises


def gain_of(work: Work, step: Coupled, state: Coupling, advice: Advice) -> float | None:
    """Size of the change of the watched value per degree of the advised trimmer, where it is known."""
    axis, own = step.axes[advice.quantity], step.axes[advice.trimmer]
    counted = work.services.gains.get((own.trimmer.name, quantity_of(axis.source)))
    if counted is not None or own.span is None:
        return None if counted is None else abs(counted)
    size = abs(own.span) / own.trimmer.travel
    if advice.quantity == advice.trimmer:
        return size
    direction = state.directions[advice.trimmer]
    if direction is None or direction[advice.trimmer] == 0.0:
        return None
    share = abs(direction[advice.quantity] / direction[advice.trimmer])
    return size * share * _half(state.goals[advice.quantity]) / _half(state.goals[advice.trimmer])


def _half(goal: Goal) -> float:
    return (goal.high - goal.low) / 2.0


def joined(work: Work, step: Coupled, values: Sequence[Value], found: Sequence[Value], words: str) -> StepResult:
    """One result for several values: the worst of them, with all in the details."""
    results = [judged(value, axis.limits, work.rule, words) for value, axis in zip(values, step.axes, strict=True)]
    worst = max(results, key=lambda result: VERDICTS.index(result.verdict))
    axes = [
        {
            "trimmer": axis.trimmer.name, "value": result.value, "unit": result.unit, "verdict": result.verdict,
            "uncertainty": result.uncertainty, "as_found": before.value, "as_found_uncertainty": before.uncertainty,
            "low": result.low, "high": result.high, "acceptable_low": result.acceptable_low,
            "acceptable_high": result.acceptable_high, "words": result.words, "point": axis.source.point,
            "quantity": quantity_of(axis.source),
        }
        for axis, result, before in zip(step.axes, results, found, strict=True)
    ]  # fmt: skip
    crept = next((result.details for result in results if creeps(result)), {})
    return replace(worst, details={**crept, "axes": axes})
