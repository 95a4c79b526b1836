"""The table of a report: one line for each step, as found and as left, each number with its unit, uncertainty and time.

Rules it keeps: the newest result of a step is as left, `records.visits` says what is as found; a step that set several
trimmers together has a line for each of them under its own; what was read by nothing and nobody has no number.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from ..procedure.step import kind_of
from ..records.facts import StepResult
from ..records.history import StepRow
from ..records.visits import Visit, axis_key
from ..units import show, show_window

IN, CONDITIONAL, OUT, NONE = "in", "conditional", "out", "none"


@dataclass(frozen=True, slots=True)
class ReportLine:
    """One step, or one of several values of it. Texts as people read them; empty where there is nothing.

    when        when it ended, or "begun ..." where it never did
    found_when  when the value as found was read, where that was not then
    by          what read it
    part        one of several values of the step above, which counts for all of them
    sort        "in", "conditional", "out", "none": how the row is marked
    """

    step: str
    title: str
    when: str
    point: str
    by: str
    as_found: str
    found_when: str
    as_left: str
    window: str
    acceptable: str
    tur: str
    verdict: str
    words: str
    sort: str
    part: bool = False


def lines_of(
    steps: Sequence[StepRow], visits: Mapping[str, Visit], by: Callable[[StepRow], str], day: datetime
) -> list[ReportLine]:
    """The table for the newest row of each step. `by` names a row's instruments; times on `day` are told without it."""
    return [line for step in steps for line in _lines(step, visits, by(step), day)]


def _lines(step: StepRow, visits: Mapping[str, Visit], by: str, day: datetime) -> Iterator[ReportLine]:
    result = step.result or StepResult("not ended")
    axes: Sequence[Mapping[str, Any]] = result.details.get("axes", ())
    keys = [it for it in visits if it.startswith(axis_key(step.step, ""))]
    whole = step.step in visits or not keys
    yield _line(step, result if whole else _bare(result), visits.get(step.step), by, day)
    for key in keys if not whole else ():
        trimmer = key.removeprefix(axis_key(step.step, ""))
        axis = next((it for it in axes if it["trimmer"] == trimmer), None)
        yield _part(step, result, visits[key], trimmer, axis, by, day)


def _bare(result: StepResult) -> StepResult:
    """The verdict on several values together: their numbers stand below it."""
    return StepResult(result.verdict, words=result.words)


def _line(step: StepRow, result: StepResult, visit: Visit | None, by: str, day: datetime) -> ReportLine:
    left = result.value is not None
    numbers = left or visit is not None
    ended = "" if step.ended is None else moment(step.ended, day)
    return ReportLine(
        step=step.step,
        title=step.title,
        when=ended or f"begun {moment(step.started, day)}",
        point=step.point,
        by=by or (kind_of(step.kind).unread if numbers else ""),
        as_found="" if visit is None else measured(visit.found, visit.uncertainty_found, visit.unit),
        found_when=_earlier(visit, step, day),
        as_left=measured(result.value, result.uncertainty, result.unit),
        window=show_window(result.low, result.high, result.unit),
        acceptable=show_window(result.acceptable_low, result.acceptable_high, result.unit),
        tur=tur_words(result.acceptable_low, result.acceptable_high, result.uncertainty),
        verdict=result.verdict,
        words=result.words,
        sort=sort_of(result.verdict),
    )


def _part(
    step: StepRow,
    result: StepResult,
    visit: Visit,
    trimmer: str,
    axis: Mapping[str, Any] | None,
    by: str,
    day: datetime,
) -> ReportLine:
    it = axis or {}
    # Older records know the window of the worst of them only, which is the one that stands in the result.
    known = it if "low" in it or it.get("value") != result.value else _windows(result)
    low, high = known.get("acceptable_low"), known.get("acceptable_high")
    verdict = str(it.get("verdict", ""))
    return ReportLine(
        step=step.step,
        title=", ".join(filter(None, [trimmer, str(it.get("quantity", ""))])),
        when="",
        point=str(it.get("point", "")),
        by=by,
        as_found=measured(visit.found, visit.uncertainty_found, visit.unit),
        found_when=_earlier(visit, step, day),
        as_left=measured(it.get("value"), it.get("uncertainty"), visit.unit),
        window=show_window(known.get("low"), known.get("high"), visit.unit),
        acceptable=show_window(low, high, visit.unit),
        tur=tur_words(low, high, it.get("uncertainty")),
        verdict=verdict,
        words=str(it.get("words", "")) if it.get("words") != result.words else "",
        sort=sort_of(verdict),
        part=True,
    )


def _windows(result: StepResult) -> Mapping[str, float | None]:
    names = ("low", "high", "acceptable_low", "acceptable_high")
    return {name: getattr(result, name) for name in names}


def _earlier(visit: Visit | None, step: StepRow, day: datetime) -> str:
    if visit is None or visit.found_at is None or visit.found_at == step.ended:
        return ""
    return moment(visit.found_at, day)


def moment(stamp: datetime, day: datetime) -> str:
    """The time of day in UTC, with the date where it is another than that of `day`."""
    stamp, day = stamp.astimezone(UTC), day.astimezone(UTC)
    return f"{stamp:%H:%M:%S}" if stamp.date() == day.date() else f"{stamp:%Y-%m-%d %H:%M:%S}"


def measured(value: float | None, uncertainty: float | None, unit: str) -> str:
    """A value with its expanded uncertainty (k = 2), each with its own unit."""
    if value is None:
        return ""
    if uncertainty is None:
        return show(value, unit)
    return f"{show(value, unit)} ± {show(2.0 * uncertainty, unit, digits=2)}"


def tur_words(low: float | None, high: float | None, uncertainty: float | None) -> str:
    """Test uncertainty ratio: width of the window that decides over the width of the 95 % interval."""
    return "" if low is None or high is None or not uncertainty else f"{(high - low) / (4.0 * uncertainty):.1f}"


def sort_of(verdict: str) -> str:
    """How a row is marked."""
    if verdict in {"pass", "done"}:
        return IN
    if verdict in {"conditional pass", "conditional fail"}:
        return CONDITIONAL
    return OUT if verdict in {"fail", "refused", "stopped", "blocked"} else NONE
