"""How a step ended, and what its result says of a value that is wrong or did not come.

Rule kept here: a value that no instrument gave is never judged; a step that gets none in time fails as "absent".
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from ..procedure.model import Step
from ..procedure.quantities import Limits, ReadingClass
from ..records.facts import StepResult
from .verdicts import Value

COMES_AND_GOES = (ReadingClass.DIPPING, ReadingClass.ALL_DIP, ReadingClass.STEPPING)


@dataclass(frozen=True, slots=True)
class Done:
    """How a step ended.

    changed  something was turned, cleaned or mended
    to_do    the value was only read, as found, and is still to be set
    """

    result: StepResult
    changed: bool = False
    answer: str = ""
    to_do: bool = False


class Results:
    """Values of earlier steps of this job, for derived quantities."""

    def __init__(self) -> None:
        self.values: dict[str, Value] = {}
        self.dipping: set[str] = set()  # steps whose value fell away and came back
        self._first: dict[str, Value] = {}
        self._last = ""  # the step whose value was read last

    def keep(self, step: str, result: StepResult) -> None:
        if result.value is not None:
            self.values[step] = Value(result.value, result.uncertainty or 0.0, result.unit)
            self._first.setdefault(step, self.values[step])
            self._last = step

    def reads_like_before(self, step: str, result: StepResult) -> str:
        """The step read before this one, if its value is the same within both uncertainties (k = 2); else nothing."""
        last = self.values.get(self._last)
        if last is None or result.value is None or last.unit != result.unit or self._last == step:
            return ""
        room = 2.0 * math.hypot(last.uncertainty, result.uncertainty or 0.0)
        return self._last if abs(last.value - result.value) <= room else ""

    def first(self, step: str, now: Value) -> Value:
        """The value as found in this job; `now` where this is it."""
        return self._first.get(step, now)


def absent(step: Step, unit: str, limits: Limits, why: str) -> StepResult:
    """No value came."""
    words = " ".join(part for part in (why, step.hints.get(ReadingClass.ABSENT, "")) if part)
    return StepResult(
        "fail", unit=unit, low=limits.low, high=limits.high, acceptable_low=limits.acceptable_low,
        acceptable_high=limits.acceptable_high, words=words,
    )  # fmt: skip


def with_shape(step: Step, result: StepResult, shape: ReadingClass, results: Results) -> StepResult:
    """The result of a value that does not stand. What dips or steps fails, however right its last readings were."""
    if shape is ReadingClass.DIPPING:
        results.dipping.add(step.id)
        if len(results.dipping) > 1 and ReadingClass.ALL_DIP in step.hints:
            shape = ReadingClass.ALL_DIP
    hint = step.hints.get(shape, "")
    words = "; ".join(part for part in (result.words, f"{shape}: {hint}" if hint else str(shape)) if part)
    fails = shape in COMES_AND_GOES
    return replace(
        result if fails else with_hint(step, result), verdict="fail" if fails else result.verdict, words=words
    )


def with_hint(step: Step, result: StepResult) -> StepResult:
    """The result with the hint that fits how the value is wrong."""
    if result.verdict in ("pass", "conditional pass") or result.value is None:
        return result
    found = how_wrong(result)
    hint = step.hints.get(found, "")
    if found is ReadingClass.FAR_HIGH and not hint:
        hint = step.hints.get(ReadingClass.HIGH, "")
    if found is ReadingClass.ABSENT and not hint:
        hint = step.hints.get(ReadingClass.LOW, "")
    told = f"{found}: {hint}" if hint else str(found)
    return replace(result, words=f"{result.words}; {told}" if result.words else told)


def how_wrong(result: StepResult) -> ReadingClass:
    """Class of a value outside its window. Sizes are compared by magnitude, so that a dead -12 V rail is absent."""
    edges = [e for e in (result.acceptable_low, result.acceptable_high) if e is not None]
    value, usual = result.value or 0.0, max((abs(edge) for edge in edges), default=0.0)
    nearest = min((abs(edge) for edge in edges), default=0.0)
    if abs(value) < 0.1 * nearest:
        return ReadingClass.ABSENT
    if usual and abs(value) > 1.3 * usual:
        return ReadingClass.FAR_HIGH
    return ReadingClass.HIGH if abs(value) > usual else ReadingClass.LOW
