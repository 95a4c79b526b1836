"""A procedure as plain frozen data: what is done to a unit, in which order, and what is dangerous.

Rules kept here:
- What varies from unit to unit is data, never code; the kinds of step stand in `benchrig.steps`, one file each.
- Every value is in a base unit (volts, seconds, metres, ohms): "9.40 kV" in the file is 9400.0 here.
- Nothing here reads a file, opens an instrument or decides anything.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated

from pydantic import Field, PrivateAttr

from ..tomlfile import FileModel, Seconds, Volts
from .keys import Words
from .points import means
from .step import Step as Step


class Hazard(FileModel):
    """What can hurt, what must be in place, and how it is made safe again.

    expected        volts at the test point
    limit           volts below which hands may go back in
    in_place        confirmed one by one, in this order
    make_safe       what the person does: power off, discharge
    valid           seconds for which one acknowledgement lasts
    points          further places where this voltage is
    ceiling_factor  a reading above this many times `expected` stops the job, whatever ceiling a step gives
    bleed           seconds that the point takes by itself to fall below `limit` once it is off; None where nobody knows
    """

    title: Words
    test_point: Words
    expected: Volts
    cautions: Annotated[list[Words], Field(min_length=1)]
    in_place: Annotated[list[Words], Field(min_length=1)]
    make_safe: Annotated[list[Words], Field(min_length=1)]
    limit: Annotated[Volts, Field(gt=0.0, le=60.0)] = 42.4
    valid: Annotated[Seconds, Field(gt=0.0, le=3600.0)] = 900.0
    points: list[Words] = Field(default_factory=list)
    ceiling_factor: Annotated[float, Field(gt=1.0, le=2.0)] = 1.25
    bleed: Annotated[Seconds, Field(gt=0.0)] | None = None
    _name: str = PrivateAttr("")

    def called(self, name: str) -> Hazard:
        """The hazard, by the name that its table has in the file."""
        self._name = name
        return self

    @property
    def name(self) -> str:
        """What steps call it."""
        return self._name

    @property
    def highest(self) -> float:
        """Volts above which what is read was never acknowledged."""
        return self.ceiling_factor * abs(self.expected)

    def owns(self, point: str) -> bool:
        """True if `point` is the test point or another place of this voltage, or may be taken for one."""
        return any(means(point, own) for own in (self.test_point, *self.points))

    def is_test_point(self, point: str) -> bool:
        """True if `point` is the one that the hold point names and looks at."""
        return means(point, self.test_point)


@dataclass(frozen=True, slots=True)
class Procedure:
    """What is done to one kind of unit. `digest` is the SHA-256 of the file it came from."""

    id: str
    title: str
    unit: str
    steps: tuple[Step, ...]
    hazards: Mapping[str, Hazard] = field(default_factory=dict)
    rule: str = "guarded"
    serial: str = ""  # regular expression that the unit's serial number must match
    file: str = ""
    digest: str = ""

    def step(self, id: str) -> Step:
        """The step called `id`. Raises KeyError."""
        for step in self.steps:
            if step.id == id:
                return step
        raise KeyError(id)

    def owner(self, point: str) -> Hazard | None:
        """The hazard that owns a point; None for a harmless one."""
        return next((hazard for hazard in self.hazards.values() if hazard.owns(point)), None)
