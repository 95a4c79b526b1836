"""`benchrig export`: one job for other programs."""

from __future__ import annotations

import sys

import click

from ..records import open_history
from .leaving import in_utf8
from .options import JOB, read_record


@click.command("export")
@click.argument("job", type=JOB)
@click.option(
    "--format", "kind", type=click.Choice(["csv", "jsonl"]), default="csv", show_default=True, help="How it is written."
)
@read_record
def command(job: int, kind: str, record: str | None) -> None:
    """Write JOB to standard output: a row for each step (csv), or every step and reading (jsonl)."""
    from ..report.export import as_csv, as_json_lines

    in_utf8(sys.stdout)
    with open_history(record) as history:
        if kind == "csv":
            click.echo(as_csv(history, job), nl=False)
        else:
            for line in as_json_lines(history, job):
                click.echo(line)
