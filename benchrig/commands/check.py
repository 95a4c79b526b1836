"""`benchrig check`: a procedure held against a bench on paper."""

from __future__ import annotations

import json
import textwrap
from dataclasses import asdict
from datetime import UTC, date, datetime

import click

from ..bench import Bench, load_bench
from ..errors import FileError
from ..procedure import Procedure, load_procedure
from ..procedure.preflight import Report, Row, check
from ..ui.words import plain
from .shipped import locate

EXIT_CODE = {"ok": 0, "note": 0, "warn": 1, "refuse": 2}


@click.command("check")
@click.argument("procedure")
@click.option("--bench", required=True, metavar="BENCH", help="The bench file, or the name of a shipped one.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a row.")
def command(procedure: str, bench: str, as_json: bool) -> int:
    """Hold PROCEDURE against a bench before anyone touches anything.

    Exit code 0: it can be done. 1: some window cannot be decided with these instruments, or one is due for
    calibration. 2: something is refused.
    """
    report = check(load_procedure(locate(procedure)), load_bench(locate(bench)), _today())
    if as_json:
        click.echo("\n".join(json.dumps(asdict(row)) for row in report.rows))
    else:
        click.echo("\n".join(table(report)))
    return EXIT_CODE[report.worst]


def refuse_unfit(work: Procedure, bench: Bench) -> None:
    """What `check` finds, before a job: warnings are told on stderr. Raises FileError where something is refused."""
    report = check(work, bench, _today())
    if report.worst == "refuse":
        click.echo("\n".join(table(report)), err=True)
        raise FileError("This bench cannot do this procedure safely.", next_step="Mend what is refused above.")
    for row in report.rows:
        if row.level == "warn":
            click.echo("\n".join(_row(report.file, row)), err=True)


def _today() -> date:
    return datetime.now(UTC).astimezone().date()


def table(report: Report) -> list[str]:
    """The report as lines of at most 80 columns."""
    lines = [line for row in report.rows for line in _row(report.file, row)]
    return [*lines, {0: "This bench can do it.", 1: "It can be done, with the warnings above."}.get(
        EXIT_CODE[report.worst], "REFUSED: nothing was started.")]  # fmt: skip


def _row(file: str, row: Row) -> list[str]:
    place = f"{file}:{row.line}: " if row.level == "refuse" and row.line else ""
    head = f"{row.level:7}{row.step or 'bench':17.17} "
    text = textwrap.wrap(plain(f"{place}{row.what}: {row.words}"), 54, break_long_words=False)
    return [f"{head if i == 0 else ' ' * 25}{part}" for i, part in enumerate(text)]
