"""`benchrig jobs`: what was done, to which unit, and how it ended."""

from __future__ import annotations

import click

from ..records import open_history
from ..records.history import History, JobRow, StepRow
from ..ui.words import plain
from ..units import show


@click.command("jobs")
@click.argument("job", type=int, required=False)
@click.option("--serial", help="Only the jobs of this unit.")
@click.option("--store", "path", metavar="FILE|URL", help="The record to read: a file, or postgresql://...")
def command(job: int | None, serial: str | None, path: str | None) -> None:
    """List the recorded jobs, newest first, or show JOB step by step."""
    with open_history(path) as history:
        lines = _one(history, job) if job is not None else [_line(row) for row in history.jobs(serial=serial)]
    click.echo("\n".join(lines) if lines else "No jobs in this record yet. `benchrig rehearse` makes one.")


def _line(job: JobRow) -> str:
    outcome = job.outcome or "not ended"
    simulated = " (simulated)" if job.simulated else ""
    return plain(
        f"{job.id:5}  {job.started.astimezone():%Y-%m-%d %H:%M}  {job.serial:12} {job.title:40} {outcome}{simulated}"
    )


def _one(history: History, job: int) -> list[str]:
    row = history.job(job)
    head = [
        _line(row),
        f"       operator {plain(row.operator)}, {history.reading_count(job)} readings, benchrig {row.version}",
    ]
    steps = [_step(step) for step in history.steps(job)]
    gaps = [
        f"       gap: {plain(g['instrument'])} in {plain(g['step_id'])}: {plain(g['reason'])}"
        for g in history.gaps(job)
    ]
    return [*head, *steps, *gaps]


def _step(step: StepRow) -> str:
    result = step.result
    if result is None:
        return plain(f"       {step.step:16} {'not ended':18} {step.title}")
    value = "" if result.value is None else show(result.value, result.unit)
    doubt = "" if result.uncertainty is None else f" (U {show(2 * result.uncertainty, result.unit, digits=2)})"
    return plain(f"       {step.step:16} {result.verdict:18} {value}{doubt}  {result.words}").rstrip()
