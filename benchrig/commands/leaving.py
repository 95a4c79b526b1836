"""What a job leaves behind: a closed record, what the person should know then, and what other programs are handed."""

from __future__ import annotations

import contextlib
import io
import shlex
from collections.abc import Sequence
from typing import TextIO

import click

from ..records import Store


def close(store: Store) -> None:
    """Close it; what still waits for the shop's server is told on stderr."""
    if words := store.close():
        click.echo(f"benchrig: {words}", err=True)


def report_command(job: int, record: str | None) -> str:
    """What to type to have the job as a page."""
    return f"benchrig report {job}" + (f" --store {shlex.quote(record)}" if record is not None else "")


def say_afterwards(lines: Sequence[str]) -> None:
    """Words after a job. That nobody reads them changes nothing about how it ended."""
    with contextlib.suppress(OSError):
        click.echo("\n".join(lines))


def in_utf8(stream: TextIO) -> None:
    """What is handed to other programs is UTF-8 whatever this terminal writes: no letter is replaced."""
    if isinstance(stream, io.TextIOWrapper):
        stream.reconfigure(encoding="utf-8", errors="strict")
