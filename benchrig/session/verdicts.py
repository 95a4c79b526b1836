"""From readings to the result of a step: mean, uncertainty, verdict. Pure.

What surely creeps out of its window is no pass, however well inside it is now: at best a conditional one, that says so
and asks to be looked at again.
"""

from __future__ import annotations

import functools
import itertools
import math
import operator
import statistics
from collections.abc import Sequence
from dataclasses import asdict, dataclass

from ..judgement.rules import Verdict, judge, judge_two_tier
from ..procedure.quantities import Limits, Operation
from ..readings import CAUTIONS, CONDITIONAL, Flag, Reading
from ..records.facts import StepResult
from ..signals.pulses import Caution
from ..trim.types import Creep

CREEP = "creep"  # among the details of a result: how fast, and in how many seconds out of its window

# for each of `CAUTIONS`: a verdict tells them too
CAUTION_WORDS = {flag: str(Caution[flag.name or ""]) for flag in CAUTIONS}


@dataclass(frozen=True, slots=True)
class Value:
    """A measured value with its standard uncertainty."""

    value: float
    uncertainty: float
    unit: str
    spread: float = 0.0  # standard deviation of the readings behind it
    stands: bool = True  # False: it was still running when patience ended, and cannot pass
    pace: float = 0.0  # usual seconds from one of the readings to the next; 0 where there is only one
    creep: Creep | None = None  # it stands well enough to be a value, and yet surely moves on
    flags: Flag = Flag.NONE  # those of `CAUTIONS` that any of the readings behind it had
    rest: tuple[Reading, ...] = ()  # all readings since it came to rest, where that was looked at


def value_of(readings: Sequence[Reading]) -> Value:
    """The mean of usable readings. Its uncertainty joins their scatter (type A) and what each carries (type B).

    JCGM 100:2008 (GUM), 4.2 and 4.3; one count is taken as rectangular: resolution / sqrt(12).
    Readings from before the instrument went to a finer range are left out.
    """
    finest = min(_own(reading) for reading in readings)
    readings = [reading for reading in readings if _own(reading) <= 2.0 * finest]
    values = [reading.value for reading in readings if reading.value is not None]
    mean = math.fsum(values) / len(values)
    spread = statistics.stdev(values) if len(values) > 1 else 0.0
    known = max((_own(reading) for reading in readings), default=0.0)
    gaps = [after.time - before.time for before, after in itertools.pairwise(readings)]
    pace = statistics.median(gaps) if gaps else 0.0
    uncertainty = math.hypot(known, spread / math.sqrt(len(values)))
    return Value(mean, uncertainty, readings[0].unit, spread, pace=pace, flags=cautions_of(readings))


def cautions_of(readings: Sequence[Reading]) -> Flag:
    """What is to be known before any of several readings is believed."""
    return functools.reduce(operator.or_, (reading.flags for reading in readings), Flag.NONE) & CAUTIONS


def _own(reading: Reading) -> float:
    if reading.uncertainty is not None:
        return reading.uncertainty
    return (reading.resolution or 0.0) / math.sqrt(12.0)


def judged(found: Value, limits: Limits, rule: str, words: str = "") -> StepResult:
    """The verdict on a value, with all that it rests on, and `words` followed by what is to be known of the value."""
    verdict = judge_two_tier(found.value, found.uncertainty, limits.window, limits.acceptable, rule)
    inside = verdict.verdict.inside
    creep = found.creep if inside and found.stands else None
    running = () if found.stands else ("still running",)
    creeping = () if creep is None else (f"{creep.words(found.unit)}: to be looked at again",)
    cautions = (CAUTION_WORDS[flag] for flag in found.flags)
    weak = creep is not None or bool(inside and found.flags & CONDITIONAL)
    said = Verdict.CONDITIONAL_PASS if weak else verdict.verdict
    return StepResult(
        verdict="fail" if inside and not found.stands else str(said),
        value=found.value,
        unit=found.unit,
        uncertainty=found.uncertainty,
        low=limits.low,
        high=limits.high,
        acceptable_low=limits.acceptable_low,
        acceptable_high=limits.acceptable_high,
        rule=rule,
        probability=verdict.probability,
        guard_band=verdict.guard_band,
        tier=str(verdict.tier),
        words="; ".join(part for part in (words, *cautions, *running, *creeping) if part),
        details={} if creep is None else {CREEP: asdict(creep)},
    )


def creeps(result: StepResult) -> bool:
    """It was let stand inside its window although it surely moves out of it."""
    return CREEP in result.details


def window_to_stay_in(value: float, limits: Limits) -> tuple[float, float]:
    """The preferred window if the value is in that, else the acceptable one; infinite on a side that is open."""
    low, high = limits.window if limits.holds(value) else limits.acceptable
    return -math.inf if low is None else low, math.inf if high is None else high


def right_already(found: Value, limits: Limits, rule: str) -> bool:
    """True if a value is inside its preferred window by the decision rule: nothing should be turned."""
    inside: bool = judge(found.value, found.uncertainty, limits.window, rule).verdict.inside
    return inside and found.stands


def derived(operation: Operation, values: Sequence[Value], unit: str) -> Value:
    """A value made of others, with first-order propagation for independent inputs (GUM 5.1.2).

    Raises ZeroDivisionError where a ratio has nothing to be divided by.
    """
    first, second = values[0], values[-1]
    match operation:
        case Operation.DIFFERENCE:
            return Value(first.value - second.value, math.hypot(first.uncertainty, second.uncertainty), unit)
        case Operation.MEAN:
            mean = math.fsum(it.value for it in values) / len(values)
            return Value(mean, math.hypot(*(it.uncertainty for it in values)) / len(values), unit)
        case Operation.RATIO:
            ratio = first.value / second.value
            return Value(ratio, _ratio_uncertainty(first, second), unit)
        case Operation.PERCENT_MISMATCH:
            mean = (first.value + second.value) / 2.0
            # d(mismatch) = |dA * B - dB * A| / mean^2, from 2 (A - B) / (A + B)
            uncertainty = math.hypot(first.uncertainty * second.value, second.uncertainty * first.value) / mean**2
            return Value(abs((first.value - second.value) / mean), uncertainty, unit)


def _ratio_uncertainty(first: Value, second: Value) -> float:
    return math.hypot(first.uncertainty / second.value, first.value * second.uncertainty / second.value**2)


GOOD_WORDS = frozenset({"pass", "conditional pass", "done"})


def went_well(result: StepResult) -> bool:
    """True for a result on which later steps may build."""
    return result.verdict in GOOD_WORDS
