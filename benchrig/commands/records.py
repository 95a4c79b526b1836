"""What is in the record: `benchrig jobs`, `report`, `export`, `thin`."""

from __future__ import annotations

import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import click

from ..errors import FileError, UnitError
from ..records import open_history, open_store
from ..records.history import History, JobRow, StepRow
from ..records.visits import Moved, since
from ..ui.sentences import plain
from ..units import quantity_in, show
from .options import JOB, close, in_utf8, read_record, record_option


@click.command("jobs")
@click.argument("job", type=JOB, required=False)
@click.option("--serial", help="Only the jobs of this unit.")
@read_record
def jobs_command(job: int | None, serial: str | None, record: str | None) -> None:
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


@click.command("report")
@click.argument("job", type=JOB)
@read_record
@click.option("-o", "--output", type=click.Path(path_type=Path), help="The file to write; - for standard output.")
def report_command(job: int, record: str | None, output: Path | None) -> None:
    """Write the as-found / as-left report of JOB. It opens in any browser, without a network, and prints well."""
    from ..report.model import gather
    from ..report.render import render

    with open_history(record) as history:
        page = render(gather(history, job))
    if output == Path("-"):
        in_utf8(sys.stdout)
        click.echo(page)
        return
    target = output or Path(f"job-{job}.html")
    try:
        target.write_text(page, encoding="utf-8")
    except OSError as error:
        raise FileError(f"Cannot write {target}: {error.strerror}.", next_step="Name another file with -o.") from error
    click.echo(f"Written: {target}")


@click.command("export")
@click.argument("job", type=JOB)
@click.option(
    "--format", "kind", type=click.Choice(["csv", "jsonl"]), default="csv", show_default=True, help="How it is written."
)
@read_record
def export_command(job: int, kind: str, record: str | None) -> None:
    """Write JOB to standard output: a row for each step (csv), or every step and reading (jsonl)."""
    from ..report.export import as_csv, as_json_lines

    in_utf8(sys.stdout)
    with open_history(record) as history:
        if kind == "csv":
            click.echo(as_csv(history, job), nl=False)
        else:
            for line in as_json_lines(history, job):
                click.echo(line)


OLDEST = 36_500  # days: a hundred years
HOT = 1  # day; what is younger may still be looked at reading by reading


@click.command("thin")
@click.option(
    "--older-than",
    "days",
    type=click.IntRange(HOT, OLDEST),
    required=True,
    metavar="DAYS",
    help="Which readings: older than so many days.",
)
@click.option(
    "--to",
    "to",
    default="1 min",
    show_default=True,
    metavar="TIME",
    help="Keep the extremes of each stretch this long.",
)
@record_option("to thin")
def thin_command(days: int, to: str, record: str | None) -> None:
    """Thin the readings of old watches, for good.

    Of each stretch of time the least and the greatest reading stay, and each whose flags change; counts, means and
    extremes of the whole stay what they were. Verdicts, acknowledgements, waveforms, and the readings of trims and
    measurements stay as they are. Run it from a timer to keep a record small.
    """
    stretch = stretch_of(to)
    open_history(record).close()  # one that is not there is not made
    store = open_store(record)
    try:
        before = datetime.now(UTC) - timedelta(days=days)
        gone = store.thin(before, stretch)
        click.echo(f"{gone:,} readings of watches from before {before:%Y-%m-%d} went.")
        if gone and not store.shrink():
            click.echo("Another program has the record open, so the file keeps its size; its room is used again.")
    finally:
        close(store)


def stretch_of(to: str) -> float:
    """Seconds, more than none. Raises FileError."""
    try:
        seconds = quantity_in(to, "s")
    except UnitError as error:
        raise FileError(f"--to: {error.message}", next_step='Write it like "1 min".') from error
    if not seconds > 0.0:
        raise FileError(f"--to {to}: that is no time.", next_step='Write it like "1 min".')
    return seconds
