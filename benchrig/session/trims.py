"""Steps in which one trimmer is turned; and what every step has that turns something.

Rules kept here:
- What is right already, and stands, is offered to be left alone, and that is the default. If its doubt reaches out of
  the window, the question says so: turning moves the value and not the doubt, and the verdict tells it too.
- Before anything is touched its old position is marked, and the value as found is kept.
- A setting is accepted by the trim engine, or for typed values by the typed value itself; never by a key.
- The hand follows the reading where it can, and turns by count where the reading is too slow for that.
"""

from __future__ import annotations

import math
from dataclasses import replace

from ..judgement.rules import Verdict
from ..procedure.model import Axis, Coupled, Least, Limits, ReadingClass, Trim, Trimmer, TypedSource
from ..records.facts import StepResult
from ..trim.types import Goal
from ..units import show
from .counting import is_slow, turn_counted
from .doers import Done, Results, absent, collect, steady, typed_value, with_hint
from .ports import InstrumentSource
from .turning import goal_of, quantity_of, turn_by_eye, turn_watched
from .verdicts import Value, judged, right_already, value_of
from .work import Work

AS_FOUND = 5  # readings
LEAVE = ("leave alone", "adjust")
TO_SET = "as found; to be set"
JUMPS = "its wiper jumps: clean it"  # also the answer that a cleaning step can ask for
BACK_WITHIN = 120.0  # s for bringing a trimmer back to where it was


def do_trim(work: Work, step: Trim, results: Results) -> Done:
    axis = Axis(step.source, step.limits, step.target, step.trimmer, step.span)
    found = as_found(work, step, axis)
    if found is None:
        return Done(absent(step, step.source.unit, step.limits, "No usable value came."))
    if left_alone(work, axis, found):
        return Done(as_left(judged(found, step.limits, work.rule, "left alone"), results.first(step.id, found)))
    if step.span is not None and abs(found.value - step.target) > step.span:
        return Done(out_of_reach(step, judged(found, step.limits, work.rule)))
    if work.only_looking:
        return Done(with_hint(step, as_left(judged(found, step.limits, work.rule, TO_SET), found)), to_do=True)
    mark(work, axis.trimmer, found)
    first = results.first(step.id, found)
    goal = goal_of(axis, step, found.pace)
    final = turn(work, step, axis, goal, found.pace)
    if final is None:
        now, words = put_back(work, step, axis, goal, found)
        return Done(with_hint(step, as_left(judged(now, step.limits, work.rule, words), first)), True)
    jumps = JUMPS if seen_to_jump(work, axis) else ""
    result = as_left(judged(final, step.limits, work.rule, jumps), first)
    return Done(result, moved(found, final, step.limits), answer=jumps)


def seen_to_jump(work: Work, axis: Axis) -> bool:
    """The wiper of this trimmer was seen to jump, and was not cleaned since."""
    known = work.services.known.get((axis.trimmer.name, quantity_of(axis.source)))
    return known is not None and known.scratchy


def out_of_reach(step: Trim, result: StepResult) -> StepResult:
    """Further off than the whole travel of the trimmer: something else is wrong, and turning would only hide it."""
    hint = step.hints.get(ReadingClass.ALL_OFFSET, "")
    words = f"{step.trimmer.name} cannot reach that far"
    return replace(result, verdict="fail", words=f"{words}; {ReadingClass.ALL_OFFSET}: {hint}" if hint else words)


def as_found(work: Work, step: Trim | Least | Coupled, axis: Axis) -> Value | None:
    """The value before anything is touched, standing over the step's own settling.

    One second does not show a creep: over its own time constant T an exponential one moves by 0.31 of its size A from
    half to half, so that once this is a tenth of the window its end lies a fifth of the window from the mean at most
    (0.63 A). Slower creeps are for a wait until stable, which the step can need.
    """
    if isinstance(axis.source, TypedSource):
        return typed_value(work, axis.source, step.instruction or step.title)
    readings = collect(work, axis.source, axis.limits, AS_FOUND, step.settle)
    return replace(value_of(readings), stands=steady(readings, axis.limits)) if readings else None


def as_left(result: StepResult, found: Value) -> StepResult:
    """The result with what was found before."""
    return replace(result, details={"as_found": found.value, "as_found_uncertainty": found.uncertainty})


def left_alone(work: Work, axis: Axis, found: Value) -> bool:
    """True if it is right already and the person does not insist."""
    if not right_already(found, axis.limits, work.rule):
        return False
    sure = judged(found, axis.limits, work.rule).verdict == Verdict.PASS
    doubt = show(2.0 * found.uncertainty, found.unit, digits=2)
    words = "is right already" if sure else f"is inside, but by less than its doubt of {doubt}"
    text = f"{axis.trimmer.name}: {show(found.value, found.unit)} {words}. Leave it alone?"
    return work.choose(text, LEAVE, "leave alone", axis.trimmer.name) != "adjust"


def mark(work: Work, trimmer: Trimmer, found: Value) -> None:
    """Keep where it stood, so that it can be put back."""
    words = ""
    if trimmer.mark:
        text = f"Mark where {trimmer.name} stands now."
        words = work.choose(text, ("marked", "not marked"), "mark", trimmer.name) or "not marked"
    work.services.store.mark(work.row, trimmer.name, words, found.value, found.unit, work.clock.now())


def put_back(work: Work, step: Trim, axis: Axis, goal: Goal, found: Value) -> tuple[Value, str]:
    """What could not be brought in goes back to where it was, if the person wants that; the value that it has then.

    To its mark, and where the value is read live by the gauge, to the value as found.
    """
    text = (
        f"{axis.trimmer.name} was not brought in. Put it back to its mark ({show(found.value, found.unit)} as found)?"
    )
    if work.choose(text, ("put back", "leave"), "put back", axis.trimmer.name) != "put back":
        return as_found(work, step, axis) or found, "not brought in"
    if not isinstance(axis.source, TypedSource):
        guide_back(work, axis, goal, found, axis.source)
    now = as_found(work, step, axis)
    if now is None:
        return found, "not brought in; put back, and not read again"
    return now, f"not brought in; put back to {show(now.value, now.unit)}"


def guide_back(work: Work, axis: Axis, goal: Goal, found: Value, source: InstrumentSource) -> None:
    """The same gauge, with the value as found for its target and a quarter of the window each way."""
    reach = max((goal.high - goal.low) / 4.0, 3.0 * found.spread)
    old = replace(goal, target=found.value, low=found.value - reach, high=found.value + reach)
    work.say(f"{axis.trimmer.name} goes back to {show(found.value, found.unit)}. Follow the gauge.")
    turn_watched(work, axis, old, source, BACK_WITHIN)


def moved(found: Value, final: Value, limits: Limits) -> bool:
    """A real change, not the same setting read twice."""
    width = (limits.high - limits.low) if limits.low is not None and limits.high is not None else 0.0
    doubt = 3.0 * math.hypot(found.spread, final.spread)
    return abs(final.value - found.value) > max(0.05 * width, doubt)


def turn(work: Work, step: Trim | Coupled, axis: Axis, goal: Goal, pace: float) -> Value | None:
    """Guide the hands until the value is accepted; None if that does not come to pass.

    pace  seconds from reading to reading, as found
    """
    if isinstance(axis.source, TypedSource):
        return turn_by_eye(work, step, axis, axis.source)
    way = turn_counted if is_slow(step.counted, step.settle, pace) else turn_watched
    return way(work, axis, goal, axis.source)
