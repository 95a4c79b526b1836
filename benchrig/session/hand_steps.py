"""What every step has that turns something: as found, left alone, marked, turned.

Rules kept here:
- What is right already, and stands, is offered to be left alone, and that is the default. If its uncertainty reaches
  out of the window, the question says so: turning moves the value and not the uncertainty, and the verdict tells it
  too. So it does of a value that creeps: what goes on moving cannot be set, and is looked at again later.
- Before anything is touched the value as found is kept; positions were marked before the unit was switched on.
- A setting is accepted by the trim engine, or for typed values by the typed value itself; never by a key.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from ..judgement.rules import Verdict
from ..procedure.quantities import Axis, Limits, MeterSource, Trimmer, TypedSource
from ..procedure.step import HandStep
from ..readings import Reading
from ..records.facts import StepResult
from ..trim.types import Goal, Known
from ..units import show
from .steady_value import look
from .turning import at_its_end, quantity_of, turn_by_eye, turn_watched
from .typed_value import typed_value
from .verdicts import Value, judged, right_already
from .work import Work

AS_FOUND = 5  # readings
LEAVE = ("leave alone", "adjust")
TO_SET = "as found; to be set"


def seen_to_jump(work: Work, axis: Axis) -> bool:
    """The wiper of this trimmer was seen to jump, and was not cleaned since."""
    known = work.services.known.get((axis.trimmer.name, quantity_of(axis.source)))
    return known is not None and known.scratchy


def noise_known(work: Work, axis: Axis, found: Value) -> None:
    """The readings as found, hands off, have told of the noise: the trim that follows need not learn it again."""
    key = (axis.trimmer.name, quantity_of(axis.source))
    known = work.services.known.get(key, Known())
    if known.seen < AS_FOUND - 1 and found.spread > 0.0:
        work.services.known[key] = replace(known, noise=found.spread, seen=AS_FOUND - 1.0)


def end_of_travel(work: Work, axis: Axis) -> str:
    """Where the travel of this trimmer was found to end in the trim just made, in words."""
    known = work.services.known.get((axis.trimmer.name, quantity_of(axis.source)))
    return "" if known is None or known.ends is None else at_its_end(known.ends, axis.source.unit)


def as_found(work: Work, step: HandStep, axis: Axis, before: Sequence[Reading] = ()) -> Value | None:
    """The value before anything is touched, standing over the step's own settling; `before` as for `look`.

    One second does not show a creep: over its own time constant T an exponential one moves by 0.31 of its size A from
    half to half, so that once this is a tenth of the window its end lies a fifth of the window from the mean at most
    (0.63 A). Slower ones are looked at longer where they show; who must know the slowest needs a wait until stable.
    """
    if isinstance(axis.source, TypedSource):
        return typed_value(work, axis.source, step.instruction or step.title)
    return look(work, axis.source, axis.limits, AS_FOUND, step.settle, before).value(axis.limits)


def as_left(result: StepResult, found: Value) -> StepResult:
    """The result with what was found before."""
    before = {"as_found": found.value, "as_found_uncertainty": found.uncertainty}
    return replace(result, details={**result.details, **before})


def left_alone(work: Work, axis: Axis, found: Value) -> bool:
    """True if it is right already and the person does not insist."""
    if not right_already(found, axis.limits, work.rule):
        return False
    text = f"{axis.trimmer.name}: {show(found.value, found.unit)} {how_right(work, axis, found)}. Leave it alone?"
    return work.choose(text, LEAVE, "leave alone", axis.trimmer.name) != "adjust"


def how_right(work: Work, axis: Axis, found: Value) -> str:
    """How sure it is that what is inside is right."""
    if found.creep is not None:
        return f"is inside, but {found.creep.words(found.unit)}"
    if judged(found, axis.limits, work.rule).verdict == Verdict.PASS:
        return "is right already"
    return f"is inside, but by less than its uncertainty of {show(2.0 * found.uncertainty, found.unit, digits=2)}"


def looked_twice(work: Work, step: HandStep, axis: Axis, found: Value) -> Value:
    """What is left alone, read once more: the question has taken its time, and a slow creep shows over that.

    By meters only: a scope that is set up again may stand a code higher or lower.
    """
    if not isinstance(axis.source, MeterSource) or found.creep is not None:
        return found
    return as_found(work, step, axis, found.rest) or found


def mark(work: Work, trimmer: Trimmer, found: Value) -> None:
    """Keep the value at which it stood, and whether its position was marked before the unit was switched on."""
    words = work.services.marked.get(trimmer.name, "not marked") if trimmer.mark else ""
    work.services.store.mark(work.row, trimmer.name, words, found.value, found.unit, work.clock.now())


def moved(found: Value, final: Value, limits: Limits) -> bool:
    """A real change, not the same setting read twice."""
    width = (limits.high - limits.low) if limits.low is not None and limits.high is not None else 0.0
    noise = 3.0 * math.hypot(found.spread, final.spread)
    return abs(final.value - found.value) > max(0.05 * width, noise)


def turn(work: Work, step: HandStep, axis: Axis, goal: Goal) -> Value | None:
    """Guide the hands until the value is accepted; None if that does not come to pass."""
    if isinstance(axis.source, TypedSource):
        return turn_by_eye(work, step, axis, axis.source)
    return turn_watched(work, axis, goal, axis.source)
