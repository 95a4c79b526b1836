"""The door between a step and a test point: one kind for harmless points, one that takes an acknowledgement.

A hazardous point is opened with an `Acknowledgement`, and asks it again before every reading. There is no other way
from a step to a feed, so that without it not one byte goes to an instrument.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from ..holdmachine import Moment
from ..holdpoint import Acknowledgement
from ..procedure.model import Limits
from .ports import Feed, InstrumentSource, Tools


@dataclass(frozen=True, slots=True)
class SafePoint:
    """A point that cannot hurt."""

    source: InstrumentSource
    limits: Limits | None

    def open(self, tools: Tools) -> Feed:
        return tools.feed(self.source, self.limits)


@dataclass(frozen=True, slots=True)
class HazardousPoint:
    """A point that can."""

    source: InstrumentSource
    limits: Limits | None
    hazard: str
    step: str
    moment: Callable[[], Moment]

    def open(self, tools: Tools, acknowledgement: Acknowledgement) -> Feed:
        """Raises Refused unless `acknowledgement` is live for this step and this hazard, now and at every touch."""

        def require() -> None:
            acknowledgement.require(self.hazard, self.step, self.moment())

        require()
        return tools.feed(self.source, self.limits, require)
