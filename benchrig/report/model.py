"""What a report says of one job, gathered from the record into plain rows. Nothing here knows HTML.

Rules it keeps: the newest result of a step is as left, the first value seen is as found; whatever was skipped,
refused, lost or never ended is listed, not left out; the hash at the end covers every recorded fact shown.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..readings import Reading
from ..records.facts import InstrumentFacts, StepResult
from ..records.history import History, JobRow, StepRow
from ..units import show
from .plots import Band, plot
from .soaks import Soaked, soaks_of

MOST_WAVEFORMS = 6  # drawn for one step

RULES = {
    "guarded": "Guarded acceptance: a value passes when it lies inside its limit by more than the guard band, which is "
    "the expanded uncertainty U = 2u (ILAC-G8:09/2019, non-binary statement with guard band).",
    "simple": "Simple acceptance: a value passes when it lies inside its limit; the guard band is zero "
    "(ILAC-G8:09/2019, binary statement).",
}


@dataclass(frozen=True, slots=True)
class Line:
    """One step in the table. Texts as people read them; empty where there is nothing."""

    step: str
    title: str
    point: str
    as_found: str
    as_left: str
    uncertainty: str
    window: str
    acceptable: str
    tur: str
    verdict: str
    words: str
    sort: str  # "in", "conditional", "out", "none": how the row is marked


@dataclass(frozen=True, slots=True)
class Figure:
    """A plot with its caption."""

    caption: str
    svg: str


@dataclass(frozen=True, slots=True)
class Report:
    """All that is printed."""

    job: JobRow
    verdict: str
    counts: Mapping[str, int]
    lines: Sequence[Line]
    figures: Sequence[Figure]
    instruments: Sequence[InstrumentFacts]
    acknowledgements: Sequence[Mapping[str, Any]]
    skipped: Sequence[tuple[str, str]]
    gaps: Sequence[Mapping[str, Any]]
    marks: Sequence[Mapping[str, Any]]
    truths: Sequence[Mapping[str, Any]]
    rule: str
    digest: str
    readings: int
    notes: Sequence[str] = field(default_factory=tuple)
    soaks: Sequence[Soaked] = field(default_factory=tuple)


def gather(history: History, job: int) -> Report:
    """Everything about `job`. Raises StoreError if there is no such job."""
    row, steps = history.job(job), history.steps(job)
    latest = {step.step: step for step in steps if step.purpose != "as found" or step.result is not None}
    lines = [line_of(step, _first_value(steps, step)) for step in _in_order(latest.values())]
    events = history.events(job)
    report = Report(
        job=row,
        verdict=row.outcome or "not ended: this job was broken off",
        counts={sort: sum(line.sort == sort for line in lines) for sort in ("in", "conditional", "out", "none")},
        lines=lines,
        figures=[figure for step in steps for figure in figures_of(history, step)],
        instruments=history.instruments(job),
        acknowledgements=history.acknowledgements(job),
        skipped=[(s.step, s.result.words) for s in latest.values() if s.result and s.result.verdict == "skipped"],
        gaps=history.gaps(job),
        marks=history.marks(job),
        truths=[event["facts"] for event in events if event["kind"] == "truth"],
        rule=RULES.get(row.rule, row.rule),
        digest="",
        readings=history.reading_count(job),
        soaks=soaks_of(history, job, steps),
        notes=[str(event["facts"].get("words", "")) for event in events if event["kind"] == "said"],
    )
    return _sealed(report)


def _in_order(steps: Any) -> list[StepRow]:
    return sorted(steps, key=lambda step: step.number)


def _first_value(steps: Sequence[StepRow], step: StepRow) -> float | None:
    """The value as found: as the step itself says, or the first result this job has for it."""
    firsts = [s.result for s in steps if s.step == step.step and s.result is not None]
    for result in firsts:
        if (found := result.details.get("as_found")) is not None:
            return float(found)
    return firsts[0].value if firsts else None


def line_of(step: StepRow, found: float | None) -> Line:
    """The table's row for a step."""
    result = step.result or StepResult("not ended")
    unit = result.unit
    return Line(
        step=step.step,
        title=step.title,
        point=step.point,
        as_found="" if found is None else show(found, unit),
        as_left="" if result.value is None else show(result.value, unit),
        uncertainty="" if result.uncertainty is None else show(2.0 * result.uncertainty, unit, digits=2),
        window=between(result.low, result.high, unit),
        acceptable=between(result.acceptable_low, result.acceptable_high, unit),
        tur=tur_words(result),
        verdict=result.verdict,
        words=result.words,
        sort=sort_of(result.verdict),
    )


def between(low: float | None, high: float | None, unit: str) -> str:
    """A window in words, either side open."""
    if low is None and high is None:
        return ""
    if low is None or high is None:
        return f"at most {show(high, unit)}" if high is not None else f"at least {show(low or 0.0, unit)}"
    return f"{show(low, unit)} to {show(high, unit)}"


def tur_words(result: StepResult) -> str:
    """Test uncertainty ratio: width of the window that decides over the width of the 95 % interval."""
    low, high = result.acceptable_low, result.acceptable_high
    if low is None or high is None or not result.uncertainty:
        return ""
    return f"{(high - low) / (4.0 * result.uncertainty):.1f}"


def sort_of(verdict: str) -> str:
    """How a row is marked."""
    if verdict in {"pass", "done"}:
        return "in"
    if verdict in {"conditional pass", "conditional fail"}:
        return "conditional"
    return "out" if verdict in {"fail", "refused", "stopped", "blocked"} else "none"


def figures_of(history: History, step: StepRow) -> list[Figure]:
    """The course of a step's readings, and every waveform kept with it."""
    figures = []
    for channel in history.channels(step.row) if step.kind != "soak" else ():
        readings = history.readings(channel)
        if len(readings) > 1:
            figures.append(_course(step, channel.name, channel.unit, readings))
    waveforms = history.waveforms(step.row)
    for name, waveform in waveforms[:MOST_WAVEFORMS]:
        times = np.asarray(waveform.times)
        figures.append(Figure(f"{step.title}: waveform at {name}", _drawn(times, waveform.volts, "V", step)))
    if len(waveforms) > MOST_WAVEFORMS:
        last = figures.pop()
        more = f"{last.caption}, and {len(waveforms) - MOST_WAVEFORMS} more in the record"
        figures.append(Figure(more, last.svg))
    return figures


def _course(step: StepRow, name: str, unit: str, readings: Sequence[Reading]) -> Figure:
    start = readings[0].time
    times = np.array([reading.time - start for reading in readings])
    values = np.array([r.value if r.usable and r.value is not None else np.nan for r in readings])
    return Figure(f"{step.title}: readings of {name}", _drawn(times, values, unit, step))


def _drawn(times: NDArray[np.float64], values: NDArray[np.float64], unit: str, step: StepRow) -> str:
    result = step.result
    bands = [Band(result.low, result.high, "window")] if result and (result.low, result.high) != (None, None) else []
    return plot(times, values, unit=unit, title=step.title, bands=bands if result and result.unit == unit else [])


def _sealed(report: Report) -> Report:
    """With the hash over every fact in it, in one fixed spelling."""
    facts = {k: v for k, v in asdict(report).items() if k not in {"figures", "digest", "rule"}}
    spelling = json.dumps(facts, sort_keys=True, default=str, ensure_ascii=True)
    digest = hashlib.sha256(spelling.encode()).hexdigest()
    return Report(**{**{name: getattr(report, name) for name in Report.__slots__}, "digest": digest})
