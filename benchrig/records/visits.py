"""A unit's values as found and as left in one job, and how they moved from one visit to the next. Pure; works on what
`History` gives.

Rules it keeps:
1. As found is what the first step with a value says of itself, or that value; as left is the newest value.
2. Where several trimmers were set together each value is one of its own, under the step's id and its trimmer.
3. Only jobs of the same procedure are compared, and only values with the same unit: others may be measured elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from .history import StepRow


@dataclass(frozen=True, slots=True)
class Visit:
    """One value of one job, in `unit`: as it came, as it left, how well each is known, and when each was read.

    left            None where the step only looks, such as one that asks for a clean wiper
    uncertainty_found, uncertainty_left   standard uncertainties; None where none is known
    """

    step: str
    unit: str
    found: float
    left: float | None
    uncertainty_found: float | None
    uncertainty_left: float | None
    found_at: datetime | None = None
    left_at: datetime | None = None


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
    uncertainty: float

    @property
    def surely(self) -> bool:
        return abs(self.change) > 2.0 * self.uncertainty


def values_of(steps: Sequence[StepRow]) -> dict[str, Visit]:
    """The values of one job, in the order in which they were first read: by step, or `axis_key` of several."""
    visits: dict[str, Visit] = {}
    for row in steps:
        for told in _told(row):
            before = visits.get(told.step)
            visits[told.step] = told if before is None else _later(before, told)
    return visits


def axis_key(step: str, trimmer: str) -> str:
    """What one value of several is called that were set together."""
    return f"{step} {trimmer}"


def _told(row: StepRow) -> Iterator[Visit]:
    """What one step tells of its values."""
    result = row.result
    if result is None:
        return
    axes: Sequence[Mapping[str, Any]] = result.details.get("axes", ())
    for axis in axes:
        yield from _value(
            row, axis_key(row.step, axis["trimmer"]), axis["value"], axis["unit"], axis["uncertainty"], axis
        )
    if not axes:
        yield from _value(row, row.step, result.value, result.unit, result.uncertainty, result.details)


def _value(
    row: StepRow, key: str, left: float | None, unit: str, uncertainty: float | None, details: Mapping[str, Any]
) -> Iterator[Visit]:
    """One of them; a step that read its value before it turned anything says so itself."""
    found = details.get("as_found")
    if found is not None:
        known = details.get("as_found_uncertainty")
        yield Visit(key, unit, float(found), left, known, None if left is None else uncertainty, row.ended, row.ended)
    elif left is not None:
        yield Visit(key, unit, left, left, uncertainty, uncertainty, row.ended, row.ended)


def _later(before: Visit, now: Visit) -> Visit:
    """As found stays what it was; as left is the newest value that was read."""
    if now.left is None:
        return before
    return replace(before, left=now.left, uncertainty_left=now.uncertainty_left, left_at=now.left_at)


def since(before: Sequence[StepRow], now: Sequence[StepRow]) -> list[Moved]:
    """What moved between the end of one job and the beginning of the next, for values that both have."""
    last, this = values_of(before), values_of(now)
    return [
        _moved(last[step], it)
        for step, it in this.items()
        if step in last and last[step].unit == it.unit and None not in (last[step].left, it.left)
    ]


def _moved(last: Visit, it: Visit) -> Moved:
    assert last.left is not None
    assert it.left is not None
    uncertainty = math.hypot(last.uncertainty_left or 0.0, it.uncertainty_found or 0.0)
    return Moved(it.step, it.unit, last.left, it.found, it.left, it.found - last.left, uncertainty)
