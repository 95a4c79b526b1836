"""`benchrig report`: one job as one HTML file."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from ..errors import FileError
from ..records import open_history
from .leaving import in_utf8
from .options import JOB, read_record


@click.command("report")
@click.argument("job", type=JOB)
@read_record
@click.option("-o", "--output", type=click.Path(path_type=Path), help="The file to write; - for standard output.")
def command(job: int, record: str | None, output: Path | None) -> None:
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
