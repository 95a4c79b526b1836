"""Options that several commands have: the same name, the same meaning, the same words."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

JOB = click.IntRange(1, 2**63 - 1)  # a job's number, as far as a record counts
Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]


def record_option(which: str) -> Decorator:
    """`--store`: the record `which` the command is about."""
    words = f"The record {which}: a file, or postgresql://...; unless given $BENCHRIG_RECORD or your own."
    return click.option("--store", "record", metavar="FILE|URL", help=words)


written_record = record_option("to write")
read_record = record_option("to read")


def unit_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """`--bench`, `--serial`, `--operator`, `--absent`: a job on a bench of one's own."""
    options = (
        click.option("--bench", "bench_name", metavar="BENCH", help="The bench file, or the name of a shipped one."),
        click.option("--serial", default="", help="Serial number of the unit, as on its plate."),
        click.option("--operator", "name", help="Who works; your login name unless given."),
        click.option("--absent", is_flag=True, help="Nobody is there: whatever needs hands or a decision is refused."),
    )
    for option in reversed(options):
        command = option(command)
    return command
