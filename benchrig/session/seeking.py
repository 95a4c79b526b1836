"""Steps that look for the least point: the hand sweeps past it, turns back, and stops there.

Rules kept here:
- The window only judges what was found; what is right already is offered to be left alone.
- Readings of a scope's quotient are taken together in fours: one alone jumps by whole codes.
- A search that goes to and fro begins again, each time content with a little less.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from ..procedure.model import Axis, Least, TypedSource
from ..readings import Reading
from ..trim import extremum
from ..trim.types import Goal
from .doers import Done, Results, absent, with_hint
from .ports import InstrumentSource
from .trims import TO_SET, as_found, as_left, left_alone, looked_twice, mark, moved
from .turning import KEPT, Gauge, accepted, begin, events
from .verdicts import Value, judged, value_of
from .work import Work

AFRESH = 45.0  # s after which a search that goes to and fro begins again
LONGEST = 6.0 * AFRESH
CLOSE = 0.1  # of the window's edge: a least point need not be met more closely than that
STALE = 3.0  # s of age at which four readings taken together are no longer the present value
AVERAGED = 4  # readings of a search taken together


def do_least(work: Work, step: Least, results: Results) -> Done:
    """Where the value is least. What is right already is left alone; the window only judges what was found."""
    axis = Axis(step.source, step.limits, 0.0, step.trimmer)
    found = as_found(work, step, axis)
    if found is None or isinstance(step.source, TypedSource):
        return Done(absent(step, step.source.unit, step.limits, "No usable value came."))
    if left_alone(work, axis, found):
        found = looked_twice(work, step, axis, found)
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
        with_hint(step, as_left(judged(final, step.limits, work.rule), first)),
        moved(found, final, step.limits),
    )


def seek(work: Work, step: Least, source: InstrumentSource, found: Value) -> Value | None:
    """Guide the hands to the least point; None if that does not come to pass."""
    search = search_of(step)
    state = extremum.start(search, work.clock.now())
    afresh, until = work.clock.now() + AFRESH, work.clock.now() + LONGEST
    taken: list[Reading] = []
    together: list[Reading] = []
    gauge = Gauge(work.tell, step.id, step.trimmer.name, shown_goal(step, found))
    begin(work)
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
                taken = [*taken[1 - KEPT :], item]
            for event in events(work, item):
                state, effects = extremum.step(state, event)
                if (value := accepted(effects, taken)) is not None:
                    return value
            gauge.show(extremum.view(state, work.clock.now()), item)
    return None


def search_of(step: Least) -> extremum.Search:
    """The search engine's task."""
    return extremum.Search(
        step.limits.unit,
        floor=CLOSE * abs(step.limits.high or 0.0),
        hold=step.hold,
        settle=step.settle,
        ceiling=step.limits.ceiling,
        stale_after=STALE,
    )


def shown_goal(step: Least, found: Value) -> Goal:
    """The window on the gauge's bar: from zero to its edge, or to the value as found where it has none."""
    most = step.limits.high if step.limits.high is not None else found.value
    return Goal(0.0, min(0.0, most), max(0.0, most), step.limits.unit, travel=step.trimmer.travel)


def averaged(readings: Sequence[Reading]) -> Reading:
    """One reading that stands for several in a row: their mean, over the time of all of them."""
    mean = value_of(readings)
    first, last = readings[0], readings[-1]
    return replace(
        last,
        value=mean.value,
        uncertainty=mean.uncertainty,
        flags=last.flags | mean.flags,
        aperture=last.time - first.time + first.aperture,
    )
