"""Wait a time, or until a value is stable."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from typing import ClassVar, Literal

from ..events import LinkDown
from ..judgement.trend import LEAST_READINGS, drift
from ..procedure.keys import Duration, Lower, Read, check_over, check_unit, value_of, with_ceiling
from ..procedure.notes import Notes
from ..procedure.quantities import ReadingClass, only_ceiling
from ..procedure.step import Part, Step
from ..records.facts import StepResult
from ..session.results import Done, Results
from ..session.tools import InstrumentSource
from ..session.work import Work
from ..tomlfile import AnyQuantity, KeyPath
from ..units import show

FEW = 120  # points through which a drift is fitted
LOOKS = 50  # in the time over which a value must be stable


class Wait(Read, Step):
    """At most `at_most` seconds; with a source until its value changes by less than `drift` in `over` seconds."""

    prepares: ClassVar[bool] = True
    unread: ClassVar[str] = ""

    kind: Literal["wait"] = "wait"
    at_most: Duration
    drift: AnyQuantity | None = None
    over: Duration = 60.0
    ceiling: AnyQuantity | None = None

    def parts(self) -> tuple[Part, ...]:
        found = self.read_source()
        return () if found is None else (Part(found, aims=(value_of(self.ceiling),)),)

    @property
    def asked_again(self) -> bool:
        return True

    def check_keys(self, path: KeyPath, notes: Notes) -> None:
        self.check_source(path, notes, needed=False)
        found = self.read_source()
        if (found is None) != (self.drift is None):
            notes.add(path, "Waiting until stable needs an instrument and a drift.", 'Add drift = "20 V" and a source.')
        check_over(self, self.drift, path, notes)
        unit = found.unit if found else "1"
        check_unit(self.drift, unit, (*path, "drift"), notes)
        check_unit(self.ceiling, unit, (*path, "ceiling"), notes)

    def with_ceilings(self, lower: Lower) -> Wait:
        return with_ceiling(self, lower)

    def run(self, work: Work, results: Results) -> Done:
        source = self.read_source()
        if source is None or self.drift is None:
            work.wait(self.at_most)
            return Done(StepResult("done"))
        return self._until_stable(work, source, self.drift.value / max(self.over, 1e-9))

    def _until_stable(self, work: Work, source: InstrumentSource, limit: float) -> Done:
        """Until the readings of the last `over` seconds surely move slower than `limit`, unit per second."""
        began = work.clock.now()
        stops = only_ceiling(source.unit, value_of(self.ceiling))
        kept: deque[tuple[float, float]] = deque()
        look, moving = 0.0, "no readings"
        with work.feed(source, stops) as feed:
            while work.clock.now() - began < self.at_most:
                item = work.take(feed, source, stops)
                if isinstance(item, LinkDown):
                    kept.clear()
                counted = [it for it in work.counted if it.usable and it.value is not None]
                if not counted:
                    continue
                item = counted[-1]
                kept.extend((it.time, it.value) for it in counted if it.value is not None)
                while kept[0][0] < item.time - self.over:
                    kept.popleft()
                spanned = kept[-1][0] - kept[0][0]
                if item.time < look or spanned < 0.9 * self.over or len(kept) < LEAST_READINGS:
                    continue
                look = item.time + self.over / LOOKS
                still, fastest = standing(list(kept), limit)
                moving = f"{show(fastest * self.over, source.unit)} in {self.over:.0f} s"
                if still:
                    words = f"stable after {work.clock.now() - began:.0f} s"
                    return Done(StepResult("done", value=item.value, unit=item.unit, words=words))
        hint = self.hints.get(ReadingClass.DRIFTING, "")
        return Done(StepResult("fail", words=f"not stable in {self.at_most:.0f} s (up to {moving}) {hint}"))


def standing(points: Sequence[tuple[float, float]], limit: float) -> tuple[bool, float]:
    """Do readings (s, value) surely move slower than `limit`; and how fast, unit per second, they may move.

    A change of level among them is no standing, however flat they are on both sides of it.
    """
    found = drift(*zip(*thinned(points, FEW), strict=True))
    return found.below(limit) and not found.steps, found.fastest


def thinned(points: Sequence[tuple[float, float]], most: int) -> list[tuple[float, float]]:
    """Means of neighbours, equally many in each, `most` at the most: the looks must not hold up the readings."""
    size = -(-len(points) // most)
    groups = [points[at : at + size] for at in range(0, len(points) - size + 1, size)]
    return [(math.fsum(t for t, _ in it) / size, math.fsum(v for _, v in it) / size) for it in groups]
