"""Steps in which something is turned: one trimmer, several that move each other, and the least point.

Rules kept here:
- What is right already, by the decision rule, is offered to be left alone, and that is the default.
- Before anything is touched its old position is marked, and the value as found is kept.
- A setting is accepted by the trim engine, or for typed values by the typed value itself; never by a key.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from .. import trim
from ..procedure.model import Axis, Coupled, Least, Limits, ReadingClass, Step, Trim, Trimmer, TypedSource
from ..readings import Reading
from ..records.facts import StepResult
from ..trim import extremum
from ..trim.engine import learned
from ..trim.types import Accepted, Goal, LinkDown, LinkUp, Measured, Restart, Tick, TrimEvent
from ..units import show
from .doers import Done, Results, absent, collect, steady, typed_value, with_hint
from .ends import Skipped
from .notices import TrimMoved
from .ports import Back, InstrumentSource, Item, Lost
from .verdicts import Value, judged, right_already, value_of
from .work import Work

AS_FOUND = 5  # readings
LONGEST = 900.0  # s that one trim may take before it is given up
LEAVE = ("leave alone", "adjust")
TO_SET = "as found; to be set"
AFRESH = 45.0  # s after which a search that goes to and fro begins again
CLOSE = 0.1  # of the window's edge: a least point need not be met more closely than that
AVERAGED = 4  # readings of a search taken together: a quotient of scope levels jumps by whole codes


def do_trim(work: Work, step: Trim, results: Results) -> Done:
    axis = Axis(step.source, step.limits, step.target, step.trimmer)
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
    final = turn(work, step, axis, step.hold, step.settle, step.span)
    if final is None:
        now, words = put_back(work, step, axis, found)
        return Done(with_hint(step, as_left(judged(now, step.limits, work.rule, words), first)), True)
    return Done(as_left(judged(final, step.limits, work.rule), first), moved(found, final, step.limits))


def out_of_reach(step: Trim, result: StepResult) -> StepResult:
    """Further off than the whole travel of the trimmer: something else is wrong, and turning would only hide it."""
    hint = step.hints.get(ReadingClass.ALL_OFFSET, "")
    words = f"{step.trimmer.name} cannot reach that far"
    return replace(result, verdict="fail", words=f"{words}; {ReadingClass.ALL_OFFSET}: {hint}" if hint else words)


def as_found(work: Work, step: Step, axis: Axis) -> Value | None:
    """The value before anything is touched."""
    if isinstance(axis.source, TypedSource):
        return typed_value(work, axis.source, step.instruction or step.title)
    readings = collect(work, axis.source, axis.limits, AS_FOUND)
    return replace(value_of(readings), stands=steady(readings, axis.limits)) if readings else None


def as_left(result: StepResult, found: Value) -> StepResult:
    """The result with what was found before."""
    return replace(result, details={"as_found": found.value, "as_found_uncertainty": found.uncertainty})


def left_alone(work: Work, axis: Axis, found: Value) -> bool:
    """True if it is right already and the person does not insist."""
    if not right_already(found, axis.limits, work.rule):
        return False
    text = f"{axis.trimmer.name}: {show(found.value, found.unit)} is right already. Leave it alone?"
    return work.choose(text, LEAVE, "leave alone", axis.trimmer.name) != "adjust"


def mark(work: Work, trimmer: Trimmer, found: Value) -> None:
    """Keep where it stood, so that it can be put back."""
    words = ""
    if trimmer.mark:
        text = f"Mark where {trimmer.name} stands now."
        words = work.choose(text, ("marked", "not marked"), "mark", trimmer.name) or "not marked"
    work.services.store.mark(work.row, trimmer.name, words, found.value, found.unit, work.clock.now())


def put_back(work: Work, step: Step, axis: Axis, found: Value) -> tuple[Value, str]:
    """What could not be brought in goes back to its mark, if the person wants that; the value that it has then."""
    text = (
        f"{axis.trimmer.name} was not brought in. Put it back to its mark ({show(found.value, found.unit)} as found)?"
    )
    if work.choose(text, ("put back", "leave"), "put back", axis.trimmer.name) != "put back":
        return as_found(work, step, axis) or found, "not brought in"
    now = as_found(work, step, axis)
    if now is None:
        return found, "not brought in; put back, and not read again"
    return now, f"not brought in; put back to {show(now.value, now.unit)}"


def moved(found: Value, final: Value, limits: Limits) -> bool:
    """A real change, not the same setting read twice."""
    width = (limits.high - limits.low) if limits.low is not None and limits.high is not None else 0.0
    doubt = 3.0 * math.hypot(found.spread, final.spread)
    return abs(final.value - found.value) > max(0.05 * width, doubt)


def goal_of(axis: Axis, hold: float, settle: float, span: float | None = None) -> Goal:
    """The trim engine's goal. The reader has seen to it that both edges are there."""
    limits = axis.limits
    assert limits.low is not None
    assert limits.high is not None
    return Goal(
        axis.target, limits.low, limits.high, limits.unit, hold, settle, limits.ceiling, span, axis.trimmer.travel
    )


def turn(work: Work, step: Step, axis: Axis, hold: float, settle: float, span: float | None = None) -> Value | None:
    """Guide the hands until the value is accepted; None if that does not come to pass."""
    if isinstance(axis.source, TypedSource):
        return turn_by_eye(work, step, axis, axis.source)
    goal = goal_of(axis, hold, settle, span)
    state = trim.start(goal, work.clock.now(), work.services.known.get(axis.trimmer.name))
    until = work.clock.now() + LONGEST
    taken: list[Reading] = []
    work.restarted = False
    with work.feed(axis.source, axis.limits) as feed:
        while work.clock.now() < until:
            item = work.take(feed, axis.source, axis.limits)
            for event in events(work, item):
                state, effects = trim.step(state, event)
                if isinstance(item, Reading) and item.usable:
                    taken = [*taken[-999:], item]
                for effect in effects:
                    if isinstance(effect, Accepted):
                        show_trim(work, goal, state, axis.trimmer)
                        work.services.known[axis.trimmer.name] = learned(state)
                        return value_of(taken[-effect.readings :])
            show_trim(work, goal, state, axis.trimmer)
    return None


def events(work: Work, item: Item | None) -> Sequence[TrimEvent]:
    """What a feed's item is to the trim engine."""
    now = work.clock.now()
    restart: tuple[TrimEvent, ...] = (Restart(now),) if work.restarted else ()
    work.restarted = False
    match item:
        case Reading():
            return (*restart, Measured(item, now))
        case Lost():
            return (LinkDown(now),)
        case Back():
            return (LinkUp(now), Restart(now))
        case _:
            return (*restart, Tick(now))


def show_trim(work: Work, goal: Goal, state: trim.TrimState, trimmer: Trimmer) -> None:
    work.tell(TrimMoved(work.step.id, goal, trim.view(state, work.clock.now()), trimmer.name))


def turn_by_eye(work: Work, step: Step, axis: Axis, source: TypedSource) -> Value | None:
    """Turn, read, type, until what is typed is inside."""
    until = work.clock.now() + LONGEST
    found = typed_value(work, source, step.instruction or step.title)
    while found is not None and work.clock.now() < until:
        if axis.limits.holds(found.value):
            return found
        work.heed()
        away = axis.target - found.value
        text = f"{axis.trimmer.name}: {show(abs(away), found.unit, digits=3)} {'low' if away > 0 else 'high'}. Turn it."
        if work.choose(text, ("turned", "cannot"), "turn", axis.trimmer.name, away) != "turned":
            return None
        found = typed_value(work, source, step.instruction or step.title)
    return None


def do_coupled(work: Work, step: Coupled, results: Results) -> Done:
    """Round after round, each axis in turn, until all of them hold together."""
    found = [as_found(work, step, axis) for axis in step.axes]
    known = [value for value in found if value is not None]
    if len(known) < len(step.axes):
        return Done(absent(step, step.axes[0].source.unit, step.axes[0].limits, "No usable value came."))
    if all(right_already(value, axis.limits, work.rule) for value, axis in zip(known, step.axes, strict=True)):
        return Done(_joined(work, step, known, known, "left alone"))
    if work.only_looking:
        return Done(_joined(work, step, known, known, TO_SET), to_do=True)
    for value, axis in zip(known, step.axes, strict=True):
        mark(work, axis.trimmer, value)
    now = known
    for _ in range(step.rounds):
        for axis in step.axes:
            if turn(work, step, axis, step.hold, step.settle) is None:
                raise Skipped(f"{axis.trimmer.name} was not brought in")
        again = [as_found(work, step, axis) for axis in step.axes]
        now = [value for value in again if value is not None]
        if len(now) == len(step.axes) and all(
            axis.limits.holds(value.value) for value, axis in zip(now, step.axes, strict=True)
        ):
            return Done(_joined(work, step, now, known, ""), True)
    names = " and ".join(axis.trimmer.name for axis in step.axes)
    return Done(replace(_joined(work, step, now, known, ""), verdict="fail", words=f"{names} keep fighting"), True)


def _joined(work: Work, step: Coupled, values: list[Value], found: list[Value], words: str) -> StepResult:
    """One result for several axes: the worst of them, with all in the details."""
    order = ("pass", "conditional pass", "conditional fail", "fail")
    results = [judged(value, axis.limits, work.rule, words) for value, axis in zip(values, step.axes, strict=True)]
    worst = max(results, key=lambda result: order.index(result.verdict))
    axes = [
        {
            "trimmer": axis.trimmer.name, "value": result.value, "unit": result.unit, "verdict": result.verdict,
            "uncertainty": result.uncertainty, "as_found": before.value,
        }
        for axis, result, before in zip(step.axes, results, found, strict=True)
    ]  # fmt: skip
    return replace(worst, details={"axes": axes})


def do_least(work: Work, step: Least, results: Results) -> Done:
    """Where the value is least. What is right already is left alone; the window only judges what was found."""
    axis = Axis(step.source, step.limits, 0.0, step.trimmer)
    found = as_found(work, step, axis)
    if found is None or isinstance(step.source, TypedSource):
        return Done(absent(step, step.source.unit, step.limits, "No usable value came."))
    if left_alone(work, axis, found):
        return Done(as_left(judged(found, step.limits, work.rule, "left alone"), results.first(step.id, found)))
    if work.only_looking:
        return Done(with_hint(step, as_left(judged(found, step.limits, work.rule, TO_SET), found)), to_do=True)
    mark(work, step.trimmer, found)
    first = results.first(step.id, found)
    final = seek(work, step, step.source, found)
    if final is None:
        words = "the least point was not found"
        return Done(with_hint(step, as_left(judged(found, step.limits, work.rule, words), first)), True)
    return Done(
        with_hint(step, as_left(judged(final, step.limits, work.rule), first)), moved(found, final, step.limits)
    )


def seek(work: Work, step: Least, source: InstrumentSource, found: Value) -> Value | None:
    """Guide the hands to the least point; None if that does not come to pass."""
    search = extremum.Search(
        step.limits.unit,
        floor=CLOSE * abs(step.limits.high or 0.0),
        hold=step.hold,
        settle=step.settle,
        ceiling=step.limits.ceiling,
        stale_after=3.0,
    )
    state = extremum.start(search, work.clock.now())
    afresh = work.clock.now() + AFRESH
    most = step.limits.high if step.limits.high is not None else found.value
    goal = Goal(0.0, min(0.0, most), max(0.0, most), step.limits.unit, travel=step.trimmer.travel)
    until = work.clock.now() + 6.0 * AFRESH
    taken: list[Reading] = []
    together: list[Reading] = []
    with work.feed(source, step.limits) as feed:
        while work.clock.now() < until:
            if work.clock.now() > afresh:  # one lucky reading was taken for the least: forget it, and ask for less
                afresh, search = work.clock.now() + AFRESH, replace(search, floor=2.0 * search.floor)
                state = extremum.start(search, work.clock.now())
            item = work.take(feed, source, step.limits)
            if isinstance(item, Reading) and item.usable:
                together = [*together, item]
                if len(together) < AVERAGED:
                    continue
                item, together = averaged(together), []
                taken = [*taken[-999:], item]
            for event in events(work, item):
                state, effects = extremum.step(state, event)
                for effect in effects:
                    if isinstance(effect, Accepted):
                        return value_of(taken[-effect.readings :])
            work.tell(TrimMoved(step.id, goal, extremum.view(state, work.clock.now()), step.trimmer.name))
    return None


def averaged(readings: Sequence[Reading]) -> Reading:
    """One reading that stands for several in a row: their mean, over the time of all of them."""
    mean = value_of(readings)
    first, last = readings[0], readings[-1]
    return replace(
        last,
        value=mean.value,
        uncertainty=mean.uncertainty,
        aperture=last.time - first.time + first.aperture,
    )
