"""`benchrig glance`: the read-only page of a job that another process runs, from the record that it writes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import click

from ..clock import Clock, RealClock
from ..glance.follow import Follower, Page
from ..records import History, StoreError, default_path
from ..session.notices import Said
from .showing import need_page
from .way_out import orderly

LOOK = 0.25  # s between looks into the record


@click.command("glance")
@click.option("--record", type=click.Path(path_type=Path), help="The record to follow; the usual one unless given.")
@click.option(
    "--host", default="127.0.0.1", show_default=True, help="Where to listen; beyond this machine only with a token."
)
@click.option("--port", default=0, type=click.IntRange(0, 65_535), help="0 takes a free one.")
@click.option("--token", help="What viewers beyond this machine must know; made up unless given.")
def command(record: Path | None, host: str, port: int, token: str | None) -> int:
    """Serve the page of the newest job in a record, read-only, until you stop it.

    It follows what is written by `benchrig run`, `soak` or `rehearse` elsewhere on this machine. It can acknowledge and
    control nothing. The live bar of a trim is on the page beside the job itself: `benchrig run --glance`.
    """
    served = need_page()
    clock = RealClock()
    with orderly(), History(record or default_path()) as history, served(host, port, token) as page:
        click.echo(f"Glance page: {page.address}", err=True)
        follow(history, page, clock, lambda: True)
    return 0


def follow(history: History, page: Page, clock: Clock, going: Callable[[], bool]) -> None:
    """Look into the record again and again while `going()`."""
    follower, trouble = Follower(history, page), ""
    while going():
        try:
            follower.look(clock.now())
            trouble = ""
        except StoreError as error:  # locked, or the disk is away: it may be read again later
            if not trouble:
                page.show(Said("", f"{error}", "alarm"))
            trouble = str(error)
        clock.sleep_until(clock.now() + LOOK)
