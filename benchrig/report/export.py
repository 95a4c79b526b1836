"""A job as rows for other programs: comma-separated values for a spreadsheet, JSON Lines for everything else.

Rules kept here:
- CSV after RFC 4180: commas, CRLF, quotes doubled, one header line; UTF-8. One row for each step that ended.
- JSON Lines: one object a line, each with its `kind`; numbers in base units, never formatted, never NaN.
- A text that a spreadsheet would take for a formula (it begins with = + - @, a tab or a return) gets a leading
  apostrophe, as OWASP's page on CSV injection advises; numbers are left alone.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator, Mapping
from typing import Any

from ..records.history import History, StepRow
from ..records.visits import Visit, values_of

COLUMNS = (
    "job", "unit", "serial", "step", "title", "kind", "round", "purpose", "point", "trimmer", "started", "verdict",
    "value", "unit_of_value", "uncertainty", "low", "high", "acceptable_low", "acceptable_high", "rule", "as_found",
    "words",
)  # fmt: skip
FORMULA = ("=", "+", "-", "@", "\t", "\r")


def rows(history: History, job: int) -> Iterator[Mapping[str, Any]]:
    """One row for each step of `job` that ended. Raises StoreError if there is no such job."""
    facts, steps = history.job(job), history.steps(job)
    visits = values_of(steps)
    for step in steps:
        if step.result is not None:
            yield {"job": job, "unit": facts.unit, "serial": facts.serial, **_step(step, visits)}


def _step(step: StepRow, visits: Mapping[str, Visit]) -> Mapping[str, Any]:
    """`as_found` is the value's in this job, whichever round of the step this is."""
    result = step.result
    assert result is not None
    visit = visits.get(step.step)
    return {
        "step": step.step, "title": step.title, "kind": step.kind, "round": step.round, "purpose": step.purpose,
        "point": step.point, "trimmer": step.trimmer, "started": step.started.isoformat(), "verdict": result.verdict,
        "value": result.value, "unit_of_value": result.unit, "uncertainty": result.uncertainty, "low": result.low,
        "high": result.high, "acceptable_low": result.acceptable_low, "acceptable_high": result.acceptable_high,
        "rule": result.rule, "as_found": None if visit is None else visit.found, "words": result.words,
    }  # fmt: skip


def as_csv(history: History, job: int) -> str:
    """The steps of `job` as CSV."""
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, COLUMNS, lineterminator="\r\n")
    writer.writeheader()
    for row in rows(history, job):
        writer.writerow({name: _harmless(value) for name, value in row.items()})
    return text.getvalue()


def _harmless(value: Any) -> Any:
    return f"'{value}" if isinstance(value, str) and value.startswith(FORMULA) else value


def as_json_lines(history: History, job: int) -> Iterator[str]:
    """Everything of `job`, a line at a time: the job, each step with its readings, answers to hold points, events,
    and after trouble what went over the links."""
    facts = history.job(job)
    yield _line("job", {name: getattr(facts, name) for name in facts.__dataclass_fields__})
    for it in history.instruments(job):
        yield _line("instrument", {name: getattr(it, name) for name in it.__dataclass_fields__})
    steps = history.steps(job)
    visits = values_of(steps)
    for step in steps:
        ended = _step(step, visits) if step.result is not None else {"step": step.step, "verdict": None}
        yield _line("step", {"row": step.row, **ended})
        yield from _readings(history, step)
    for kind, found in (
        ("acknowledgement", history.acknowledgements(job)),
        ("gap", history.gaps(job)),
        ("mark", history.marks(job)),
        ("traffic", history.traffic(job)),
    ):
        for row in found:
            yield _line(kind, row)
    for event in history.events(job):
        yield _line("event", {**event, "what": event["kind"]})


def _readings(history: History, step: StepRow) -> Iterator[str]:
    for channel in history.channels(step.row):
        for it in history.each_reading(channel):
            yield _line(
                "reading",
                {
                    "row": step.row, "step": step.step, "channel": channel.name, "time": it.time, "value": it.value,
                    "unit": it.unit, "uncertainty": it.uncertainty, "flags": it.flags.value,
                },
            )  # fmt: skip


def _line(kind: str, facts: Mapping[str, Any]) -> str:
    return json.dumps({**facts, "kind": kind}, default=str, allow_nan=False, ensure_ascii=False)
