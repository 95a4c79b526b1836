"""The door between a step and a test point: one kind for harmless points, one that takes an acknowledgement.

A hazardous point is opened with an `Acknowledgement`, and asks it again before every reading. There is no other way
from a step to a feed, so that without it not one byte goes to an instrument.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from ..errors import Refused
from ..holdmachine import Moment
from ..holdpoint import Acknowledgement, Purpose
from ..procedure.model import Step
from ..procedure.quantities import Limits
from ..soak.task import SoakTask
from .leads import Leads
from .tools import Feed, InstrumentSource, Listener, Tools


@dataclass(frozen=True, slots=True)
class SafePoint:
    """A point that cannot hurt."""

    source: InstrumentSource
    limits: Limits | None

    def open(self, tools: Tools, leads: Leads) -> Feed:
        """Raises Refused where this is a hazard's point, or the lead may still be on one."""
        leads.require(self.source, None)
        return tools.feed(self.source, self.limits)


@dataclass(frozen=True, slots=True)
class HazardousPoint:
    """A point that can."""

    source: InstrumentSource
    limits: Limits | None
    hazard: str
    step: str
    moment: Callable[[], Moment]
    purpose: Purpose = Purpose.WORK

    def open(self, tools: Tools, acknowledgement: Acknowledgement) -> Feed:
        """Raises Refused unless `acknowledgement` is live for this step, hazard and purpose, now and at every touch."""

        def require() -> None:
            acknowledgement.require(self.hazard, self.step, self.moment(), self.purpose)

        require()
        return tools.feed(self.source, self.limits, require)


def listen(
    tools: Tools,
    step: Step,
    task: SoakTask,
    acknowledgement: Acknowledgement | None,
    moment: Callable[[], Moment],
    leads: Leads,
) -> Listener:
    """Everything that a soak watches. A hazardous one asks its acknowledgement at every touch of every instrument.

    Raises Refused where the step is hazardous and no acknowledgement is live for it, and where a lead is, or may still
    be, on a point of another hazard.
    """
    for source in (*(it.source for it in task.channels), *(it.source for it in task.catches)):
        leads.require(source, step.hazard)
    if step.hazard is None:
        return tools.listen(task.channels, task.catches)
    if acknowledgement is None:
        raise Refused(f"{step.title}: no acknowledgement.", next_step="Acknowledge the hold point first.")
    hazard = step.hazard

    def require() -> None:
        acknowledgement.require(hazard, step.id, moment())

    require()
    return tools.listen(task.channels, task.catches, require)
