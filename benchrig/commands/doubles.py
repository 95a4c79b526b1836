"""`benchrig doubles`: simulated instruments on loopback sockets and pseudo-terminals, until stopped."""

from __future__ import annotations

import contextlib
import json
import sys
from pathlib import Path

import click

from ..bench import load_bench
from ..clock import RealClock
from ..instruments import load_stand_in, load_world
from .way_out import orderly


@click.command("doubles")
@click.option("--world", default="skerry14", show_default=True, help="Which simulated bench.")
@click.option("--bench", type=click.Path(path_type=Path), help="Serve only the instruments that this bench file names.")
@click.option("--seed", type=int, default=0, show_default=True, help="How the simulated unit arrives.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line: name, kind, address.")
def command(world: str, bench: Path | None, seed: int, as_json: bool) -> None:
    """Serve simulated instruments on this machine and print their addresses.

    Another terminal, another program or another language can then use them as if they were real. Ctrl-C ends it.
    """
    wanted = set(load_bench(bench).instruments) if bench else None
    with orderly():
        server = load_stand_in("server")(load_world(world)(RealClock(), seed=seed))
        for row in server.addresses():
            if wanted is None or row["name"] in wanted:
                click.echo(json.dumps(row) if as_json else f"{row['name']:10} {row['kind']:8} {row['address']}")
        sys.stdout.flush()
        if not as_json:
            click.echo("Serving until Ctrl-C.", err=True)
        with contextlib.suppress(KeyboardInterrupt):
            server.run()
