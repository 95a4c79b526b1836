"""What a report says of one job, gathered from the record into plain rows. Nothing here knows HTML.

Rules it keeps: whatever was skipped, refused, lost or never ended is listed, not left out; so is what was said aloud;
each number has its unit; times are UTC; the hash at the end covers every recorded fact shown.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from typing import Any

from ..procedure.step import kind_of
from ..records.facts import STOPPED, InstrumentFacts
from ..records.history import History, JobRow, StepRow
from ..records.visits import Visit, values_of
from ..units import show
from .charts import Figure, figures_of
from .soak_section import Soaked, soaks_of
from .table_rows import CONDITIONAL, IN, NONE, OUT, ReportLine, lines_of, moment

RULES = {
    "guarded": "Guarded acceptance: a value passes when it lies inside its limit by more than the guard band, which is "
    "the expanded uncertainty U = 2u (ILAC-G8:09/2019, non-binary statement with guard band).",
    "simple": "Simple acceptance: a value passes when it lies inside its limit; the guard band is zero "
    "(ILAC-G8:09/2019, binary statement).",
}
PURPOSES = {"work": "to work at it live", "check": "that it is off, before it is looked at"}


@dataclass(frozen=True, slots=True)
class HoldPointAnswer:
    """One answer to a hold point: what it was for, the words that were asked for and the words that were typed."""

    when: str
    point: str
    expected: str
    purpose: str
    asked: str
    typed: str
    by: str
    outcome: str
    good: bool


@dataclass(frozen=True, slots=True)
class Truth:
    """One value held against the simulated unit; `later` False where the same step was ended again afterwards."""

    step: str
    name: str
    read: str
    true: str
    inside: bool
    last: bool


@dataclass(frozen=True, slots=True)
class Report:
    """All that is printed. Times as text in UTC."""

    job: JobRow
    verdict: str
    whole: bool  # every step of the procedure was reached
    counts: Mapping[str, int]
    lines: Sequence[ReportLine]
    figures: Sequence[Figure]
    instruments: Sequence[InstrumentFacts]
    answers: Sequence[HoldPointAnswer]
    live: Sequence[str]  # points that were acknowledged for work and not made safe after it
    skipped: Sequence[tuple[str, str]]
    gaps: Sequence[str]
    marks: Sequence[str]
    truths: Sequence[Truth]
    sittings: Sequence[str]
    rule: str
    digest: str
    readings: int
    notes: Sequence[tuple[str, str, str]] = field(default_factory=tuple)  # when, how loud, words
    soaks: Sequence[Soaked] = field(default_factory=tuple)


def gather(history: History, job: int) -> Report:
    """Everything about `job`. Raises StoreError if there is no such job."""
    row, steps = history.job(job), history.steps(job)
    visits, events, gaps = values_of(steps), history.events(job), history.gaps(job)
    answers = history.acknowledgements(job)
    latest = {step.step: step for step in steps if step.purpose != "as found" or step.result is not None}
    newest = sorted(latest.values(), key=lambda step: step.number)
    lines = lines_of(newest, visits, lambda step: _instruments(history, step), row.started)
    titles = {step.step: step.title for step in steps}
    counted = [line.sort for line in lines if not line.part]
    report = Report(
        job=row,
        verdict=_verdict(history, row),
        whole=row.ended is not None and row.exit_code not in STOPPED,
        counts={sort: counted.count(sort) for sort in (IN, CONDITIONAL, OUT, NONE)},
        lines=lines,
        figures=[figure for step in steps for figure in figures_of(history, step, gaps)],
        instruments=history.instruments(job),
        answers=[_answer(it, row.started) for it in answers],
        live=_left_live(answers, events),
        skipped=[(s.title, s.result.words) for s in newest if s.result and s.result.verdict == "skipped"],
        gaps=[_gap(it, titles, row.started) for it in gaps],
        marks=[_mark(it, titles) for it in history.marks(job)],
        truths=_truths([event["facts"] for event in events if event["kind"] == "truth"], visits),
        sittings=[_sitting(it.started, it.alive) for it in history.sittings(job)],
        rule=RULES.get(row.rule, row.rule),
        digest="",
        readings=history.reading_count(job),
        soaks=soaks_of(history, job, steps),
        notes=[note for event in events if (note := _note(event, row.started)) is not None],
    )
    return _sealed(report)


def _verdict(history: History, row: JobRow) -> str:
    if row.outcome is not None:
        return row.outcome
    alive = max((it.alive for it in history.sittings(row.id)), default=row.started)
    return f"not ended: broken off, or still running; last sign of life {_whole(alive)}"


def _whole(stamp: datetime) -> str:
    """Date and time in UTC."""
    return f"{stamp.astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC"


def _sitting(started: datetime, alive: datetime) -> str:
    return f"from {_whole(started)}, last sign of life {_whole(alive)}"


def _instruments(history: History, step: StepRow) -> str:
    """What read a step's values."""
    if kind_of(step.kind).lasting:
        return ""
    return ", ".join(dict.fromkeys(it.name for it in history.channels(step.row)))


def _answer(it: Mapping[str, Any], day: datetime) -> HoldPointAnswer:
    good = bool(it["acknowledged"])
    outcome = "acknowledged" if good else "NOT acknowledged"
    return HoldPointAnswer(
        when=moment(datetime.fromisoformat(it["stamp"]), day),
        point=it["test_point"],
        expected=show(it["expected"], "V") if it["purpose"] == "work" else "",
        purpose=PURPOSES.get(it["purpose"], it["purpose"]),
        asked=it["phrase"],
        typed="(refused)" if it["typed"] is None else it["typed"],
        by=it["operator"],
        outcome=f"{outcome}: {it['words']}" if it["words"] else outcome,
        good=good,
    )


def _left_live(answers: Sequence[Mapping[str, Any]], events: Sequence[Mapping[str, Any]]) -> list[str]:
    """Points that were acknowledged for work, with nothing in the record that says they were made safe later."""
    safe = {it["facts"].get("hazard"): (it["sitting"], it["at_us"]) for it in events if it["kind"] == "made safe"}
    work = {it["hazard"]: it for it in answers if it["acknowledged"] and it["purpose"] == "work"}
    return [
        str(it["test_point"]) for hazard, it in work.items() if safe.get(hazard, (0, 0)) < (it["sitting"], it["at_us"])
    ]


def _gap(it: Mapping[str, Any], titles: Mapping[str, str], day: datetime) -> str:
    back = "It did not come back."
    if it["closed_us"] is not None:
        back = f"Back after {show((it['closed_us'] - it['opened_us']) / 1e6, 's', digits=3)}."
    when = moment(datetime.fromisoformat(it["opened"]), day)
    return f"{when}: {it['instrument']} in {titles[it['step_id']]}: {it['reason']}. {back}"


def _mark(it: Mapping[str, Any], titles: Mapping[str, str]) -> str:
    read = "" if it["value"] is None else f", reading {show(it['value'], it['unit'])}"
    name = f"{it['trimmer']}, {titles[it['step_id']]}" if it["trimmer"] else titles[it["step_id"]]
    return f"{name}: {it['words'] or 'no mark'}{read}"


def _truths(found: Sequence[Mapping[str, Any]], visits: Mapping[str, Visit]) -> list[Truth]:
    last = {it["step"]: place for place, it in enumerate(found)}
    return [_truth(it, visits.get(it["step"]), last[it["step"]] == place) for place, it in enumerate(found)]


def _truth(it: Mapping[str, Any], visit: Visit | None, last: bool) -> Truth:
    unit = "" if visit is None else visit.unit
    read, true = (show(it[key], unit, digits=6).rstrip() for key in ("read", "true"))
    return Truth(it["step"], it["name"], read, true, bool(it["inside"]), last)


def _note(event: Mapping[str, Any], day: datetime) -> tuple[str, str, str] | None:
    """What was said aloud, and what took an acknowledgement; None for everything else."""
    facts, when = event["facts"], moment(datetime.fromisoformat(event["stamp"]), day)
    match event["kind"]:
        case "said" if facts.get("level", "note") != "note":
            return when, str(facts["level"]), str(facts.get("words", ""))
        case "hold point lapsed":
            return when, "warning", f"The acknowledgement lapsed: {facts.get('words', '')}"
        case "made safe":
            return when, "note", str(facts.get("words") or f"Made safe: {facts.get('hazard', '')}")
        case "clock":
            return when, "warning", f"The wall clock was set, or the machine slept: {facts.get('moved', 0.0):+.1f} s."
    return None


def _sealed(report: Report) -> Report:
    """With the hash over every fact in it, in one fixed spelling."""
    facts = {k: v for k, v in asdict(report).items() if k not in {"figures", "digest", "rule"}}
    spelling = json.dumps(facts, sort_keys=True, default=str, ensure_ascii=True)
    digest = hashlib.sha256(spelling.encode()).hexdigest()
    return Report(**{**{name: getattr(report, name) for name in Report.__slots__}, "digest": digest})
