"""`benchrig check` and `benchrig doubles`: a bench on paper, and a simulated one.

Rules kept here for the hands that one types: a line does one thing or says why not; nothing typed can end the bench;
what would hurt somebody at a real one is done all the same, and said.
"""

from __future__ import annotations

import contextlib
import json
import math
import re
import sys
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, date, datetime
from typing import Any

import click

from ..bench import Bench, InstrumentSpec, load_bench
from ..bench.model import SUPPLY
from ..clock import RealClock
from ..errors import FileError
from ..instruments import load_stand_in, load_world
from ..procedure import Procedure, load_procedure
from ..procedure.preflight import PreflightReport, PreflightRow, check
from ..ui.sentences import plain
from .options import locate, orderly

EXIT_CODE = {"ok": 0, "note": 0, "warn": 1, "refuse": 2}


@click.command("check")
@click.argument("procedure")
@click.option("--bench", required=True, metavar="BENCH", help="The bench file, or the name of a shipped one.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a row.")
def check_command(procedure: str, bench: str, as_json: bool) -> int:
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


def table(report: PreflightReport) -> list[str]:
    """The report as lines of at most 80 columns."""
    lines = [line for row in report.rows for line in _row(report.file, row)]
    return [*lines, {0: "This bench can do it.", 1: "It can be done, with the warnings above."}.get(
        EXIT_CODE[report.worst], "REFUSED: nothing was started.")]  # fmt: skip


def _row(file: str, row: PreflightRow) -> list[str]:
    place = f"{file}:{row.line}: " if row.level == "refuse" and row.line else ""
    head = f"{row.level:7}{row.step or 'bench':17.17} "
    text = textwrap.wrap(plain(f"{place}{row.what}: {row.words}"), 54, break_long_words=False)
    return [f"{head if i == 0 else ' ' * 25}{part}" for i, part in enumerate(text)]


@click.command("doubles")
@click.option("--world", default="skerry14", show_default=True, metavar="WORLD", help="Which simulated bench.")
@click.option(
    "--bench", metavar="BENCH", help="Serve doubles of the instruments that this bench file names, by their drivers."
)
@click.option("--fit", "fitted", multiple=True, metavar="NAME=GRAMMAR", help="Put this on the bench: meter=prompt.")
@click.option("--link", default="tcp", show_default=True, metavar="KIND", help="Instead: vxi11, hislip, plusplus.")
@click.option("--seed", type=int, default=0, show_default=True, help="How the simulated unit arrives.")
@click.option("--hands", is_flag=True, help="Type here what your hands do: move leads, turn trimmers; ? shows how.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line: name, kind, address.")
def doubles_command(
    world: str, bench: str | None, fitted: tuple[str, ...], link: str, seed: int, hands: bool, as_json: bool
) -> None:
    """Serve simulated instruments on this machine and print their addresses.

    Another terminal, another program or another language can then use them as if they were real. Ctrl-C ends it.
    """
    specs = load_bench(locate(bench)).instruments if bench else {}
    fit = {**{name: grammar_of(spec) for name, spec in specs.items() if name != SUPPLY}, **_pairs(fitted)}
    wanted = {*specs, *_pairs(fitted)} if bench else None
    with orderly():
        try:
            server = load_stand_in("server")(_world(world, seed, fit), link=link)
        except LookupError as error:
            raise FileError(f"--link: {error.args[0]}", next_step="Name one of them.") from None
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
    serial = spec.driver == "meter-scpi" and not spec.address.upper().startswith(("TCPIP", "SIM:", "GPIB"))
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


HANDS_HELP = """\
handheld on A1 TP2               a lead moved; with a probe: meter on A4 TP40 with eht_probe
handheld off                     a lead lifted
RV21 +30                         a trimmer turned, degrees, clockwise positive
power off, discharge, card grid  the unit's switch; the bleeder stick; the pattern card
?                                this, where the leads hang, and the trimmers"""

_LEAD = re.compile(r"(?P<lead>\S+) +on +(?P<point>.+?)(?: +with +(?P<probe>\S+))?")
_LIFT = re.compile(r"(?P<lead>\S+) +off")
_TURN = re.compile(r"(?P<trimmer>.+?) +(?P<degrees>[+-]?\d+(?:\.\d+)?)")


def act(line: str, hands: Any) -> str:
    """Do what `line` says with the bench's `hands`; returns what to say about it. Raises nothing that a line causes."""
    before = len(hands.incidents)
    try:
        words = _done(" ".join(line.split()), hands)
    except (LookupError, ValueError) as error:  # a name that the bench has not got lists those that it has
        return str(error)
    return "\n".join([words, *(f"That would have hurt somebody: {it}" for it in hands.incidents[before:])])


def _done(line: str, hands: Any) -> str:
    match line:
        case "":
            return ""
        case "?" | "help":
            return _state(hands)
        case "power on" | "power off":
            hands.power(line == "power on")
            return f"The unit is {'on' if hands.powered() else 'off'}."
        case "discharge":
            hands.discharge()
            return "Discharged."
    if line.startswith("card "):
        hands.card(line.removeprefix("card "))
        return f"Card: {line.removeprefix('card ')}."
    if lift := _LIFT.fullmatch(line):
        hands.probe(lift["lead"])
        return f"{lift['lead']} hangs free."
    if lead := _LEAD.fullmatch(line):
        hands.probe(lead["lead"], lead["point"], lead["probe"] or "")
        return f"{lead['lead']} is on {lead['point']}."
    if turn := _TURN.fullmatch(line):
        moved = hands.turn(turn["trimmer"], float(turn["degrees"]))
        stopped = "" if math.isclose(moved, float(turn["degrees"]), abs_tol=0.5) else ", at its end"
        return f"{turn['trimmer']} turned {moved:+.0f} degrees{stopped}."
    return "Not understood; ? shows what can be typed."


def _state(hands: Any) -> str:
    leads = [
        f"{name} on {point}{f' with {via}' if via else ''}" for name, (point, via) in hands.probes().items() if point
    ]
    trimmers = [f"{name} ({travel:.0f} degrees)" for name, travel in hands.controls().items()]
    return "\n".join([HANDS_HELP, f"Leads: {', '.join(leads) or 'all free'}.", f"Trimmers: {', '.join(trimmers)}."])
