"""How a unit's values moved from one visit to the next. Pure; works on what `History` gives.

Only jobs of the same procedure are compared, and only values with the same unit: others may be measured elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from .facts import StepResult
from .history import StepRow


@dataclass(frozen=True, slots=True)
class Visit:
    """One value of one job: as it came, as it left, and how well each is known (standard uncertainty, base unit)."""

    step: str
    unit: str
    found: float
    left: float
    doubt_found: float
    doubt_left: float


@dataclass(frozen=True, slots=True)
class Moved:
    """One value over two visits. `change` from as left last time to as found now.

    surely  the change is beyond its expanded uncertainty (k = 2): GUM 5.1.2, for two independent measurements
    """

    step: str
    unit: str
    left_before: float
    found: float
    left: float
    change: float
    doubt: float

    @property
    def surely(self) -> bool:
        return abs(self.change) > 2.0 * self.doubt


def values_of(steps: Sequence[StepRow]) -> dict[str, Visit]:
    """The values of one job, by step, in the order in which they were first read."""
    visits: dict[str, Visit] = {}
    for row in steps:
        result = row.result
        if result is None or result.value is None:
            continue
        before = visits.get(row.step)
        found = _as_found(result) if before is None else before.found
        doubt = (result.uncertainty or 0.0) if before is None else before.doubt_found
        visits[row.step] = Visit(row.step, result.unit, found, result.value, doubt, result.uncertainty or 0.0)
    return visits


def _as_found(result: StepResult) -> float:
    """A step that read its value before it turned anything says so itself."""
    found = result.details.get("as_found")
    assert result.value is not None
    return result.value if found is None else float(found)


def since(before: Sequence[StepRow], now: Sequence[StepRow]) -> list[Moved]:
    """What moved between the end of one job and the beginning of the next, for values that both have."""
    last, this = values_of(before), values_of(now)
    return [
        Moved(
            step=step,
            unit=it.unit,
            left_before=last[step].left,
            found=it.found,
            left=it.left,
            change=it.found - last[step].left,
            doubt=math.hypot(last[step].doubt_left, it.doubt_found),
        )
        for step, it in this.items()
        if step in last and last[step].unit == it.unit
    ]
