"""A procedure as plain frozen data: what is done to a unit, in which order, and what is dangerous.

Rules kept here:
- What varies from unit to unit is data, never code; the kinds of step stand in `benchrig.steps`, one file each.
- Every value is in a base unit (volts, seconds, metres, ohms): "9.40 kV" in the file is 9400.0 here.
- Nothing here reads a file, opens an instrument or decides anything.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from .points import means
from .step import Step as Step


@dataclass(frozen=True, slots=True)
class Hazard:
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

    name: str
    title: str
    test_point: str
    expected: float
    cautions: tuple[str, ...]
    in_place: tuple[str, ...]
    make_safe: tuple[str, ...]
    limit: float = 42.4
    valid: float = 900.0
    points: tuple[str, ...] = ()
    ceiling_factor: float = 1.25
    bleed: float | None = None

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
