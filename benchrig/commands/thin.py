"""`benchrig thin`: of old watches keep what a trend and a verdict need, and give the rest of the disk back."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import click

from ..errors import FileError, UnitError
from ..records import open_history, open_store
from ..units import quantity_in
from .leaving import close
from .options import record_option

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
def command(days: int, to: str, record: str | None) -> None:
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
