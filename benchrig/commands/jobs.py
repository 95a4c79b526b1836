"""`benchrig jobs`: what was done, to which unit, and how it ended."""

from __future__ import annotations

import click

from ..records import open_history
from ..records.history import History, JobRow, StepRow
from ..records.visits import Moved, since
from ..ui.words import plain
from ..units import show
from .options import JOB, read_record


@click.command("jobs")
@click.argument("job", type=JOB, required=False)
@click.option("--serial", help="Only the jobs of this unit.")
@read_record
def command(job: int | None, serial: str | None, record: str | None) -> None:
    """List the recorded jobs, newest first, or show JOB step by step.

    For a unit that was here before, JOB also says how each value moved since then, and whether that is more than the
    uncertainty.
    """
    with open_history(record) as history:
        lines = _one(history, job) if job is not None else [_line(row) for row in history.jobs(serial=serial)]
    click.echo("\n".join(lines or [_none(serial)]))


def _none(serial: str | None) -> str:
    if serial is not None:
        return f"No jobs of unit {serial!r} in this record. `benchrig jobs` lists them all."
    return "No jobs in this record yet. `benchrig rehearse` makes one."


# An exit code in two words; how exactly a job ended is told when it is shown alone.
_ENDED: dict[int | None, str] = {
    0: "all in tolerance",
    1: "not all in",
    3: "stopped",
    4: "trouble",
    5: "not acknowledged",
}


def _line(job: JobRow) -> str:
    """One job on one line; what may be long comes last."""
    how = "not ended" if job.outcome is None else _ENDED.get(job.exit_code, job.outcome)
    simulated = " (simulated)" if job.simulated else ""
    return plain(
        f"{job.id:5}  {job.started.astimezone():%Y-%m-%d %H:%M}  {job.serial:12} {how:16} {job.title}{simulated}"
    )


def _one(history: History, job: int) -> list[str]:
    row = history.job(job)
    head = [
        _line(row),
        f"       {plain(row.outcome or 'not ended')}",
        f"       operator {plain(row.operator)}, {history.reading_count(job)} readings, benchrig {row.version}",
    ]
    steps = [_step(step) for step in history.steps(job)]
    gaps = [
        f"       gap: {plain(g['instrument'])} in {plain(g['step_id'])}: {plain(g['reason'])}"
        for g in history.gaps(job)
    ]
    return [*head, *steps, *gaps, *_since_last_visit(history, row)]


def _since_last_visit(history: History, row: JobRow) -> list[str]:
    """How each value moved since the unit was here last; nothing on its first visit."""
    before = history.visit_before(row)
    if before is None:
        return []
    moved = since(history.steps(before.id), history.steps(row.id))
    head = f"       Since job {before.id} of {before.started.astimezone():%Y-%m-%d}, as left then, found and left now:"
    return [head, *(_moved(it) for it in moved)] if moved else []


def _moved(it: Moved) -> str:
    values = " ".join(f"{show(value, it.unit):>11}" for value in (it.left_before, it.found, it.left))
    change = f"moved {show(it.change, it.unit, digits=3)}" if it.surely else "not surely moved"
    return plain(f"       {it.step:16} {values}  {change} (U {show(2.0 * it.uncertainty, it.unit, digits=2)})")


def _step(step: StepRow) -> str:
    result = step.result
    if result is None:
        return plain(f"       {step.step:16} {'not ended':18} {step.title}")
    value = "" if result.value is None else show(result.value, result.unit)
    uncertainty = "" if result.uncertainty is None else f" (U {show(2 * result.uncertainty, result.unit, digits=2)})"
    return plain(f"       {step.step:16} {result.verdict:18} {value}{uncertainty}  {result.words}").rstrip()
