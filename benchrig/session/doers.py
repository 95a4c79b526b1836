"""What each kind of step does. One function a kind, picked from a table; each returns how the step ended.

Rules kept here:
- A step that only looks never says that it changed something; a trim that was right already is left alone.
- A value that no instrument gave is never judged: a step that gets none in time fails as "absent".
"""

from __future__ import annotations

import math
import re
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from ..errors import UnitError
from ..judgement.trend import LEAST_READINGS, drift
from ..procedure.model import (
    Capture,
    Confirm,
    Coupled,
    Derive,
    Enter,
    Limits,
    MakeSafe,
    Measure,
    Observe,
    ReadingClass,
    Soak,
    Step,
    TypedSource,
    Wait,
    only_ceiling,
)
from ..readings import Reading
from ..records.facts import StepResult
from ..units import quantity_in, show
from .classing import shape_of
from .looking import look
from .ports import InstrumentSource, Lost
from .remembering import cleaned
from .verdicts import Value, derived, judged
from .work import Work

FEW = 120  # points through which a drift is fitted
LOOKS = 50  # in the time over which a value must be stable


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

    def keep(self, step: str, result: StepResult) -> None:
        if result.value is not None:
            self.values[step] = Value(result.value, result.uncertainty or 0.0, result.unit)
            self._first.setdefault(step, self.values[step])

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


def do_confirm(work: Work, step: Confirm, results: Results) -> Done:
    chosen = work.choose(step.instruction or step.title, ("done", "not done"), "confirm")
    good = chosen == "done"
    cleans = good and bool(step.cleans)
    if cleans:
        cleaned(work, step.cleans)
    return Done(
        StepResult("done" if good else "fail", words="" if good else chosen or "no answer"), cleans, chosen or ""
    )


def do_observe(work: Work, step: Observe, results: Results) -> Done:
    chosen = work.choose(step.instruction or step.title, step.choices, "observe")
    verdict = "pass" if chosen in step.good else "fail"
    return Done(StepResult(verdict, words=chosen or "no answer"), answer=chosen or "")


def do_enter(work: Work, step: Enter, results: Results) -> Done:
    found = typed_value(work, step.source, step.instruction or step.title)
    if found is None:
        return Done(absent(step, step.source.unit, step.limits, "Nothing was entered."))
    return Done(with_hint(step, judged(found, step.limits, work.rule)))


def typed_value(work: Work, source: TypedSource, text: str) -> Value | None:
    """What a person reads and types, asked again until it is a quantity; None if they would not."""
    while (typed := work.enter(text, source.shown_unit)) is not None:
        try:
            return Value(quantity_in(typed, source.unit), _last_place(typed, source.unit), source.unit)
        except UnitError as error:
            work.say(str(error), "warning")
    return None


_NUMBER = re.compile(r"[+-]?\d*(?:\.(?P<places>\d*))?(?:[eE](?P<exponent>[+-]?\d+))?", re.ASCII)


def _last_place(typed: str, unit: str) -> float:
    """Standard uncertainty of a value read to its last written place: rectangular over half of it each way."""
    number = _NUMBER.match(typed.strip())
    assert number is not None  # every part of it may be missing
    places, exponent = len(number["places"] or ""), int(number["exponent"] or 0)
    one = quantity_in(f"1{typed.strip()[number.end() :]}", unit)  # of the unit as it was written
    return float(one * 10.0 ** (exponent - places) / 12.0**0.5)


def do_measure(work: Work, step: Measure, results: Results) -> Done:
    work.seen.clear()
    work.wait(step.settle)
    found = look(work, step.source, step.limits, step.readings, step.settle).value(step.limits)
    if found is None:
        return Done(absent(step, step.source.unit, step.limits, "No usable reading came."))
    result = judged(found, step.limits, work.rule)
    shape = shape_of(list(work.seen), step.limits)
    if shape is None:
        return Done(with_hint(step, result))
    return Done(with_shape(step, result, shape, results))


def with_shape(step: Step, result: StepResult, shape: ReadingClass, results: Results) -> StepResult:
    """The result of a value that does not stand. What dips or steps fails, however right its last readings were."""
    if shape is ReadingClass.DIPPING:
        results.dipping.add(step.id)
        if len(results.dipping) > 1 and ReadingClass.ALL_DIP in step.hints:
            shape = ReadingClass.ALL_DIP
    hint = step.hints.get(shape, "")
    words = "; ".join(part for part in (result.words, f"{shape}: {hint}" if hint else str(shape)) if part)
    fails = shape in (ReadingClass.DIPPING, ReadingClass.ALL_DIP, ReadingClass.STEPPING)
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


def do_derive(work: Work, step: Derive, results: Results) -> Done:
    missing = [name for name in step.of if name not in results.values]
    if missing:
        return Done(absent(step, step.limits.unit, step.limits, f"No value of {', '.join(missing)}."))
    try:
        found = derived(step.operation, [results.values[name] for name in step.of], step.limits.unit)
    except ZeroDivisionError:
        return Done(absent(step, step.limits.unit, step.limits, f"The {step.operation} has nothing to divide by."))
    result = judged(found, step.limits, work.rule)
    right = result.verdict in ("pass", "conditional pass")
    return Done(with_hint(step, result), to_do=work.only_looking and not right)


def do_capture(work: Work, step: Capture, results: Results) -> Done:
    with work.feed(step.source, None) as feed:
        wave = work.waveform(feed, step.source)
    return Done(StepResult("done" if wave is not None else "fail", words="" if wave is not None else "No record came."))


def do_wait(work: Work, step: Wait, results: Results) -> Done:
    if step.source is None or step.drift is None:
        work.wait(step.at_most)
        return Done(StepResult("done"))
    return _wait_until_stable(work, step, step.source, step.drift)


def _wait_until_stable(work: Work, step: Wait, source: InstrumentSource, limit: float) -> Done:
    """Until the readings of the last `over` seconds surely move slower than `limit`, unit per second."""
    began = work.clock.now()
    kept: deque[tuple[float, float]] = deque()
    look, moving = 0.0, "no readings"
    stops = only_ceiling(source.unit, step.ceiling)
    with work.feed(source, stops) as feed:
        while work.clock.now() - began < step.at_most:
            item = work.take(feed, source, stops)
            if isinstance(item, Lost):
                kept.clear()
            if not isinstance(item, Reading) or not item.usable or item.value is None:
                continue
            kept.append((item.time, item.value))
            while kept[0][0] < item.time - step.over:
                kept.popleft()
            spanned = kept[-1][0] - kept[0][0]
            if item.time < look or spanned < 0.9 * step.over or len(kept) < LEAST_READINGS:
                continue
            look = item.time + step.over / LOOKS
            still, fastest = standing(list(kept), limit)
            moving = f"{show(fastest * step.over, source.unit)} in {step.over:.0f} s"
            if still:
                words = f"stable after {work.clock.now() - began:.0f} s"
                return Done(StepResult("done", value=item.value, unit=item.unit, words=words))
    hint = step.hints.get(ReadingClass.DRIFTING, "")
    return Done(StepResult("fail", words=f"not stable in {step.at_most:.0f} s (up to {moving}) {hint}"))


def standing(points: Sequence[tuple[float, float]], limit: float) -> tuple[bool, float]:
    """Do readings (s, value) surely move slower than `limit`; and how fast, unit per second, they may move.

    A change of level among them is no standing, however flat they are on both sides of it.
    """
    found = drift(*zip(*thinned(points, FEW), strict=True))
    return found.below(limit) and not found.steps, found.fastest


def thinned(points: Sequence[tuple[float, float]], most: int) -> list[tuple[float, float]]:
    """Means of neighbours, equally many in each, `most` at the most: the looks must not hold up the readings."""
    size = -(-len(points) // most)
    groups = [points[at : at + size] for at in range(0, len(points) - size + 1, size)]
    return [(math.fsum(t for t, _ in it) / size, math.fsum(v for _, v in it) / size) for it in groups]


def do_make_safe(work: Work, step: MakeSafe, results: Results) -> Done:
    """Everything that was live was made safe before this step could begin; it only says so in the record."""
    work.guard.need_power(False)
    return Done(StepResult("done" if work.guard.power is False else "fail"))


def do_watch(work: Work, step: Soak, results: Results) -> Done:
    """A soak. As a safety step it passes only if nothing at all was noticed: what comes and goes is not safe."""
    from .soaking import do_soak

    done = do_soak(work, step, results)
    if step.safety and done.result.verdict == "conditional pass":
        return replace(done, result=replace(done.result, verdict="fail"))
    return done


Doer = Callable[[Work, Any, Results], Done]


def doers() -> Mapping[str, Doer]:
    """The table: kind of step to what does it."""
    from .coupling import do_coupled
    from .seeking import do_least
    from .sweeping import do_wiper
    from .trims import do_trim

    return {
        "confirm": do_confirm,
        "observe": do_observe,
        "enter": do_enter,
        "measure": do_measure,
        "derive": do_derive,
        "trim": do_trim,
        Coupled.kind: do_coupled,
        "least": do_least,
        "wiper": do_wiper,
        "capture": do_capture,
        "wait": do_wait,
        "make-safe": do_make_safe,
        "soak": do_watch,
    }
