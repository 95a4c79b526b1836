"""What each instrument's lead is on, as far as acknowledged instructions tell, and what must not be read with it.

Rules it keeps:
1. A lead is taken for being on a hazard's point from the moment at which the person is sent there, before any hold
   point is asked, until they have confirmed an instruction that moves it to a harmless, named point.
2. A step that does not declare that hazard reads nothing with such a lead, and nothing at such a point, of whatever
   kind it is.
3. After a break nothing is known: a lead that may have been on a hazard's point is taken for still being there.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

from ..errors import Refused
from ..procedure.model import Hazard, Procedure, Step
from ..procedure.quantities import ScopeSource, TypedSource
from .tools import InstrumentSource

Lead = tuple[str, int | None]  # instrument, and channel of a scope
Place = tuple[str, str]  # point, probe


class Leads:
    """The map of one sitting."""

    def __init__(self, procedure: Procedure) -> None:
        self._procedure = procedure
        self._on: dict[Lead, Place] = {}

    def to_move(self, step: Step) -> Mapping[Lead, Place]:
        """Leads that are not where the step needs them, or of which that is not known."""
        return {lead: place for lead, place in places(step).items() if self._on.get(lead) != place}

    def known(self, leads: Iterable[Lead]) -> bool:
        """True if anything is known of any of these leads."""
        return any(lead in self._on for lead in leads)

    def put(self, moved: Mapping[Lead, Place]) -> None:
        """The person has put these leads there, or is being sent there. Nowhere in particular is off no hazard."""
        self._on.update({lead: place for lead, place in moved.items() if place[0] or not self._hazard_under(lead)})

    def presume(self, hazards: Collection[str]) -> None:
        """After a break: leads that steps of these hazards use may be on their points still."""
        for step in self._procedure.steps:
            if step.hazard is not None and step.hazard in hazards:
                self.put({lead: place for lead, place in places(step).items() if self._procedure.owner(place[0])})

    def require(self, source: InstrumentSource, hazard: str | None) -> None:
        """Raises Refused where a step of `hazard`, or of none, would read a point of another one."""
        owner = self._procedure.owner(source.point)
        if owner is not None and owner.name != hazard:
            raise Refused(
                f"{source.point} is a point of {owner.title!r}, and the step does not declare that hazard.",
                next_step=f'Add hazard = "{owner.name}" to the step.',
            )
        left = self._hazard_under(lead_of(source))
        cure = 'Give the step a point = "..." of its own, so that the lead is moved first.'
        if left is not None and left.name != hazard:
            words = f"The lead of {source.instrument} was last put on {left.test_point}, and was not moved off it."
            raise Refused(words, next_step=cure)
        if self._procedure.hazards and not source.point:
            raise Refused(f"It is not known where the lead of {source.instrument} is.", next_step=cure)

    def _hazard_under(self, lead: Lead) -> Hazard | None:
        place = self._on.get(lead)
        return None if place is None else self._procedure.owner(place[0])


def lead_of(source: InstrumentSource) -> Lead:
    """The lead with which a source is read."""
    return source.instrument, source.channel if isinstance(source, ScopeSource) else None


def places(step: Step) -> Mapping[Lead, Place]:
    """Where a step needs its leads."""
    sources = (source for source in step.sources if not isinstance(source, TypedSource))
    return {lead_of(source): (source.point, source.probe or "") for source in sources}
