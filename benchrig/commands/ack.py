"""`benchrig ack`: somebody at the bench acknowledges the alarms of a soak that runs in another process.

It says so beside the record, where the soak looks once a second, and waits until that was seen. It acknowledges no
hold point; nothing but the words typed at one does.
"""

from __future__ import annotations

from pathlib import Path

import click

from ..alarms import note
from ..clock import Clock, RealClock
from ..errors import FileError
from ..records import History, file_of, is_server
from .options import record_option
from .person import login_name

PATIENCE = 5.0  # s; a soak looks every second
LOOK = 0.1  # s between looks whether it has


@click.command("ack")
@click.argument("alarm", default="")
@click.option("--by", help="Who acknowledges; your login name unless given.")
@record_option("that the soak writes")
def command(alarm: str, by: str | None, record: str | None) -> None:
    """Acknowledge all open alarms of a running soak, or ALARM alone: they are not told again.

    The trouble itself stays what it is, and an alarm that grows worse is told anew.
    """
    path = _beside(record)
    note.leave(path, by or login_name(), alarm)
    if not seen(path, RealClock()):
        note.withdraw(path)
        raise FileError(
            f"No soak that writes {path} has seen the acknowledgement.",
            next_step="Is it running, and is --store its record?",
        )
    click.echo("The soak has taken it.")


def _beside(record: str | None) -> Path:
    """The file that the soak writes. Raises WrongRecord where there is none."""
    if is_server(record):
        from ..records.shop import spool_of

        path = spool_of(str(record))
    else:
        path = file_of(record)
    History(path).close()  # one that is not there, or is none, is said to be
    return path


def seen(record: Path, clock: Clock) -> bool:
    """True as soon as the note was taken; False after `PATIENCE`."""
    until = clock.now() + PATIENCE
    while note.place(record).exists():
        if clock.now() >= until:
            return False
        clock.sleep_until(clock.now() + LOOK)
    return True
