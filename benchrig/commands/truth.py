"""What a simulated unit truly is, beside what was read: kept in the record, and held against the window.

A display of the session. When a step with a window ends well, the world is asked for the true value of the quantity,
or of each of them where several trimmers were set together. A setting counts only if the truth is inside, not if only
the reading is. Simulated instruments are off as real ones are, and nobody can set a thing better than they know: what
was turned may be out of its preferred window by the uncertainty of its reading, but never out of the acceptable one.
What a person counts in whole numbers is true to half a count.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from ..clock import Clock
from ..procedure.model import Procedure, Step
from ..procedure.quantities import Measurement, ScopeSource, Source, TypedSource
from ..procedure.step import Part
from ..records.facts import Store
from ..records.visits import axis_key
from ..session.notices import Notice, StepEnded
from ..ui.display import Display

# How the simulated world names what a scope measures at a point, where the point's own name is not it.
_NAMES = {Measurement.LOW_TIME: "{point} low", Measurement.DUTY_FACTOR: "duty factor"}
HALF_A_COUNT = 0.5


@dataclass(frozen=True, slots=True)
class Witnessed:
    """One step as it ended and as it truly was. Base units; `uncertainty` is U, twice the standard uncertainty."""

    step: str
    name: str
    unit: str
    read: float
    true: float
    low: float | None
    high: float | None
    acceptable: tuple[float | None, float | None]
    turned: bool
    uncertainty: float = 0.0

    @property
    def inside(self) -> bool:
        """Within the acceptable window; what was turned also within the preferred one, as far as a reading can tell."""
        half = HALF_A_COUNT if self.unit == "count" else 0.0
        preferred = (self.low, self.high) if self.turned else (None, None)
        return _within(self.true, self.acceptable, half) and _within(self.true, preferred, half + self.uncertainty)


def _within(value: float, limits: tuple[float | None, float | None], by: float) -> bool:
    low, high = limits
    return (low is None or value >= low - by) and (high is None or value <= high + by)


class Witness(Display):
    """Asks `truth(name)` at each end of a step with a value; None is what the world does not know."""

    def __init__(
        self,
        procedure: Procedure,
        truth: Callable[[str], float | None],
        store: Store,
        clock: Clock,
        tell: Callable[[dict[str, object]], None] = lambda facts: None,
    ) -> None:
        self._steps = {step.id: step for step in procedure.steps}
        self._truth = truth
        self._store = store
        self._clock = clock
        self._tell = tell
        self.seen: dict[str, Witnessed] = {}

    def show(self, notice: Notice) -> None:
        if isinstance(notice, StepEnded) and notice.value is not None:
            for witnessed in self._witness(self._steps[notice.step], notice):
                self.seen[witnessed.step] = witnessed
                self._keep(witnessed)

    def _witness(self, step: Step, ended: StepEnded) -> Iterator[Witnessed]:
        expanded = 2.0 * (ended.uncertainty or 0.0)
        if not step.measures:
            return
        parts = [part for part in step.parts() if part.limits is not None and part.source is not None]
        if ended.axes:
            for part, found in zip(parts, ended.axes, strict=True):
                assert part.source is not None
                yield from self._asked(
                    axis_key(step.id, found.trimmer), part, name_of(part.source), found.value, expanded
                )
        elif parts:
            yield from self._asked(step.id, parts[0], truth_name(parts[0]), ended.value or 0.0, expanded)

    def _asked(self, step: str, part: Part, name: str, read: float, uncertainty: float) -> Iterator[Witnessed]:
        true, limits = self._truth(name), part.limits
        if true is not None and limits is not None:
            low, high, turned = limits.low, limits.high, part.trimmer is not None
            yield Witnessed(step, name, limits.unit, read, true, low, high, limits.acceptable, turned, uncertainty)

    def _keep(self, it: Witnessed) -> None:
        facts: dict[str, object] = {
            "step": it.step,
            "name": it.name,
            "read": it.read,
            "true": it.true,
            "inside": it.inside,
        }
        self._store.event(None, "truth", facts, self._clock.now(), self._clock.stamp())
        self._tell(facts)

    def outside(self) -> list[Witnessed]:
        """What ended well by its reading and is out by the truth."""
        return [it for it in self.seen.values() if not it.inside]


def truth_name(part: Part) -> str:
    """The world's name for what a step measures; of what is judged by eye: what its control sets."""
    assert part.source is not None
    if isinstance(part.source, TypedSource) and part.trimmer is not None:
        return f"{part.trimmer.name} sets"
    return name_of(part.source)


def name_of(source: Source) -> str:
    """The world's name for what is read at a point."""
    pattern = _NAMES.get(source.measurement, "{point}") if isinstance(source, ScopeSource) else "{point}"
    return pattern.format(point=source.point)
