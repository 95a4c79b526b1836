"""Steps that look for the least point: the hand sweeps past it, turns back, and stops there.

Rules kept here:
- The window only judges what was found; what is right already is offered to be left alone.
- Readings of a scope's quotient are taken together in fours: one alone jumps by whole codes.
- A search that goes to and fro begins again, each time content with a little less.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import ClassVar, Literal

from ..procedure.keys import Limited, Lower, Sourced, TurnedKeys, with_ceiling
from ..procedure.notes import Notes
from ..procedure.quantities import Axis, TypedSource
from ..procedure.step import HandStep, Part
from ..readings import Reading
from ..session.driving import Gauge, HandDrive
from ..session.hand_steps import TO_SET, as_found, as_left, left_alone, looked_twice, mark, moved
from ..session.results import Done, Results, absent, with_hint
from ..session.tools import InstrumentSource, Item
from ..session.verdicts import Value, judged, value_of
from ..session.work import Work
from ..tomlfile import KeyPath
from ..trim import least_point
from ..trim.types import Goal, TrimEvent

AFRESH = 45.0  # s after which a search that goes to and fro begins again
LONGEST = 6.0 * AFRESH
CLOSE = 0.1  # of the window's edge: a least point need not be met more closely than that
STALE = 3.0  # s of age at which four readings taken together are no longer the present value
AVERAGED = 4  # readings of a search taken together


class LeastPoint(Sourced, Limited, TurnedKeys, HandStep):
    """A trimmer is turned to where the value is least; the window only judges what was found."""

    measures: ClassVar[bool] = True

    kind: Literal["least-point"] = "least-point"

    def parts(self) -> tuple[Part, ...]:
        return (Part(self.source, self.limits, self.turned),)

    @property
    def answers(self) -> None:
        return None

    @property
    def value_unit(self) -> str:
        return self.unit

    def check_keys(self, path: KeyPath, notes: Notes) -> None:
        self.check_source(path, notes)
        self.check_limits(path, notes)

    def with_ceilings(self, lower: Lower) -> LeastPoint:
        return with_ceiling(self, lower)

    def run(self, work: Work, results: Results) -> Done:
        """Where the value is least. What is right already is left alone; the window only judges what was found."""
        source, limits = self.source, self.limits
        axis = Axis(source, limits, 0.0, self.turned)
        found = as_found(work, self, axis)
        if found is None or isinstance(source, TypedSource):
            return Done(absent(self, source.unit, limits, "No usable value came."))
        if left_alone(work, axis, found):
            found = looked_twice(work, self, axis, found)
            return Done(as_left(judged(found, limits, work.rule, "left alone"), results.first(self.id, found)))
        if work.only_looking:
            return Done(with_hint(self, as_left(judged(found, limits, work.rule, TO_SET), found)), to_do=True)
        mark(work, axis.trimmer, found)
        first = results.first(self.id, found)
        final = Seeking(work, self, source, found).run(LONGEST)
        if final is None:
            words = "the least point was not found"
            return Done(with_hint(self, as_left(judged(found, limits, work.rule, words), first)), True)
        return Done(
            with_hint(self, as_left(judged(final, limits, work.rule), first)),
            moved(found, final, limits),
        )


class Seeking(HandDrive):
    """The hand sweeps past the least point, turns back, and stops there."""

    def __init__(self, work: Work, step: LeastPoint, source: InstrumentSource, found: Value) -> None:
        super().__init__(work, source, step.limits)
        self.search = search_of(step)
        self.state = least_point.start(self.search, self.now)
        self.gauge = Gauge(work.tell, step.id, step.trimmer, shown_goal(step, found))
        self.afresh = self.now + AFRESH
        self.together: list[Reading] = []

    def events(self, got: Item | None) -> Iterable[TrimEvent]:
        if isinstance(got, Reading) and got.usable:
            self.together = [*self.together, got]
            if len(self.together) < AVERAGED:
                return ()
            got, self.together = averaged(self.together), []
        return super().events(got)

    def effects(self, event: TrimEvent) -> Iterable[object]:
        self.state, effects = least_point.step(self.state, event)
        return effects

    def restart(self) -> None:
        self.state = least_point.start(self.search, self.now)

    def looked(self, got: Item | None) -> None:
        if not (isinstance(got, Reading) and got.usable and self.together):  # nothing new while a few are gathered
            self.gauge.show(least_point.view(self.state, self.now), got)
        if not self.over and self.now > self.afresh:
            # One lucky reading was taken for the least: forget it, and ask for less.
            self.afresh, self.search = self.now + AFRESH, replace(self.search, floor=2.0 * self.search.floor)
            self.state = least_point.start(self.search, self.now)


def search_of(step: LeastPoint) -> least_point.Search:
    """The search engine's task."""
    return least_point.Search(
        step.limits.unit,
        floor=CLOSE * abs(step.limits.high or 0.0),
        hold=step.hold,
        settle=step.settle,
        ceiling=step.limits.ceiling,
        stale_after=STALE,
    )


def shown_goal(step: LeastPoint, found: Value) -> Goal:
    """The window on the gauge's bar: from zero to its edge, or to the value as found where it has none."""
    most = step.limits.high if step.limits.high is not None else found.value
    return Goal(0.0, min(0.0, most), max(0.0, most), step.limits.unit, travel=step.travel)


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
