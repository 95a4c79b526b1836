"""`benchrig dashboard`: the read-only page of a job that another process runs, from the record that it writes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Self

import click

from ..clock import Clock, RealClock
from ..dashboard.follow import Follower, Page
from ..records import StoreError, open_history
from ..session.notices import Said
from .display_choice import need_page
from .options import orderly, record_option

LOOK = 0.25  # s between looks into the record
LATER = 2.0  # s between tries at one that cannot be read


@click.command("dashboard")
@record_option("to follow")
@click.option("--serial", help="Only the jobs of this unit.")
@click.option(
    "--host", default="127.0.0.1", show_default=True, help="Where to listen; beyond this machine only with a token."
)
@click.option(
    "--port", default=0, show_default=True, type=click.IntRange(0, 65_535), metavar="PORT", help="0 takes a free one."
)
@click.option(
    "--token",
    envvar="BENCHRIG_DASHBOARD_TOKEN",
    help="What viewers elsewhere must know; made up unless given.",
)
def dashboard_command(record: str | None, serial: str | None, host: str, port: int, token: str | None) -> int:
    """Serve the page of the newest job in a record, read-only, until you stop it.

    It follows what is written by `benchrig run`, `soak` or `rehearse` elsewhere on this machine. It can acknowledge and
    control nothing. The live bar of a trim is on the page beside the job itself: `benchrig run --dashboard`.
    """
    served = need_page()
    with orderly(), Reopened(record) as reopened, served(host, port, token) as page:
        click.echo(f"Dashboard: {page.address}", err=True)
        follow(reopened, Follower(reopened.history, page, serial), page, RealClock(), lambda: True)
    return 0


class Reopened:
    """A record that is opened again after trouble. Use as a context manager."""

    def __init__(self, where: str | None) -> None:
        self._where = where
        self.history = open_history(where)

    def again(self) -> None:
        """Raises StoreError where it cannot be opened; what was open until now stays open then."""
        fresh = open_history(self._where)
        self.history.close()
        self.history = fresh

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exception: object) -> None:
        self.history.close()


def follow(reopened: Reopened, follower: Follower, page: Page, clock: Clock, going: Callable[[], bool]) -> None:
    """Look into the record again and again while `going()`; where it cannot be read that is said, and tried again."""
    trouble = False
    while going():
        try:
            if trouble:
                reopened.again()
                follower.record = reopened.history
            follower.look(clock.now())
            trouble = False
        except StoreError as error:  # locked, a disk or a server away
            if not trouble:
                page.show(Said("", str(error), "alarm"))
            trouble = True
        clock.sleep_until(clock.now() + (LATER if trouble else LOOK))
