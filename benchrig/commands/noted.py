"""`benchrig noted`: somebody at the bench has taken note of the alarms of a soak that runs in another process.

It says so beside the record, where the soak looks once a second. It acknowledges no hold point; nothing but the words
typed at one does.
"""

from __future__ import annotations

import getpass
from pathlib import Path

import click

from ..alarms import note
from ..errors import FileError
from ..records import default_path


@click.command("noted")
@click.argument("alarm", default="")
@click.option("--by", help="Who has taken note; your login name unless given.")
@click.option("--store", "record", type=click.Path(path_type=Path), help="The record that the soak writes.")
def command(alarm: str, by: str | None, record: Path | None) -> None:
    """Take note of all open alarms of a running soak, or of ALARM alone: they are not told again.

    The trouble itself stays what it is, and an alarm that grows worse is told anew.
    """
    path = record or default_path()
    if not path.is_file():
        raise FileError(f"There is no record {path}.", next_step="Name the one that the soak writes: --store FILE")
    note.leave(path, by or getpass.getuser(), alarm)
    click.echo("The soak that writes this record takes note within a second.")
