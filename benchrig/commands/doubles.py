"""`benchrig doubles`: simulated instruments on loopback sockets and pseudo-terminals, until stopped."""

from __future__ import annotations

import contextlib
import json
import sys
from collections.abc import Mapping, Sequence
from typing import Any

import click

from ..bench import InstrumentSpec, load_bench
from ..bench.model import SUPPLY
from ..clock import RealClock
from ..errors import FileError
from ..instruments import load_stand_in, load_world
from .shipped import locate
from .typed_hands import act
from .way_out import orderly


@click.command("doubles")
@click.option("--world", default="skerry14", show_default=True, metavar="WORLD", help="Which simulated bench.")
@click.option(
    "--bench", metavar="BENCH", help="Serve doubles of the instruments that this bench file names, by their drivers."
)
@click.option("--fit", "fitted", multiple=True, metavar="NAME=GRAMMAR", help="Put this on the bench: meter=prompt.")
@click.option("--seed", type=int, default=0, show_default=True, help="How the simulated unit arrives.")
@click.option("--hands", is_flag=True, help="Type here what your hands do: move leads, turn trimmers; ? shows how.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line: name, kind, address.")
def command(world: str, bench: str | None, fitted: tuple[str, ...], seed: int, hands: bool, as_json: bool) -> None:
    """Serve simulated instruments on this machine and print their addresses.

    Another terminal, another program or another language can then use them as if they were real. Ctrl-C ends it.
    """
    specs = load_bench(locate(bench)).instruments if bench else {}
    fit = {**{name: grammar_of(spec) for name, spec in specs.items() if name != SUPPLY}, **_pairs(fitted)}
    wanted = {*specs, *_pairs(fitted)} if bench else None
    with orderly():
        server = load_stand_in("server")(_world(world, seed, fit))
        for row in server.addresses():
            if wanted is None or row["name"] in wanted:
                click.echo(json.dumps(row) if as_json else f"{row['name']:10} {row['kind']:12} {row['address']}")
        sys.stdout.flush()
        if not as_json:
            click.echo(f"Serving until Ctrl-C.{' ? shows what your hands can do.' if hands else ''}", err=True)
        if hands:
            server.listen(sys.stdin.fileno(), lambda line: click.echo(act(line, server.world.hands), err=True))
        with contextlib.suppress(KeyboardInterrupt):
            server.run()


def grammar_of(spec: InstrumentSpec) -> str:
    """Which double stands for an instrument of a bench file: its driver's, on the link that its address has."""
    serial = spec.driver == "meter-scpi" and not spec.address.upper().startswith(("TCPIP", "SIM:"))
    return f"{spec.driver}-serial" if serial else spec.driver


def _pairs(fitted: Sequence[str]) -> dict[str, str]:
    pairs = [text.partition("=") for text in fitted]
    for (name, _, grammar), text in zip(pairs, fitted, strict=True):
        if not name or not grammar:
            raise FileError(f"--fit {text!r} is not NAME=GRAMMAR.", next_step="Like --fit handheld=es51922.")
    return {name: grammar for name, _, grammar in pairs}


def _world(name: str, seed: int, fit: Mapping[str, str]) -> Any:
    """The world, with what is fitted. Raises FileError for a grammar it has no double of."""
    try:
        return load_world(name)(RealClock(), seed=seed, **({"fit": fit} if fit else {}))
    except LookupError as error:
        raise FileError(str(error), next_step="Correct the grammar.") from None
