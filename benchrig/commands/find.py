"""`benchrig find`: what answers here, what does not open and why; a driver tried, away from live leads.

Rules kept here:
1. An instrument that a hazardous step of a procedure beside the bench file uses is not touched before somebody has said
   that its lead is off that point. Where nobody can answer it is refused.
2. The procedures are only looked through for that: one that does not load, for another mistake, still counts.
"""

from __future__ import annotations

import importlib.util
import json
import textwrap
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, closing
from dataclasses import replace
from itertools import chain
from pathlib import Path
from typing import Any

import click

from ..bench import Bench, Station, load_bench
from ..bench.attach import address_of
from ..bench.find import cables_without_port, look, ports_here, try_bench
from ..bench.model import InstrumentSpec
from ..bench.probe import Place, PlaceFinding, probe
from ..clock import Clock, RealClock
from ..errors import FileError, InstrumentError, Refused
from ..instruments import LineSettings, Multimeter, Oscilloscope, load_contract, load_driver
from ..links import Link, open_link
from ..links.addresses import parse_address, place_of
from ..links.logged import LoggedLink, WireLog
from ..ui.keys import open_keys
from ..ui.sentences import plain
from .options import locate, orderly

_PACKAGES = {"serial": "pyserial", "pyvisa": "pyvisa", "pyvisa_py": "pyvisa-py"}


@click.command("find")
@click.option(
    "--address", "addresses", multiple=True, metavar="ADDRESS", help="Look at this address too. May be given again."
)
@click.option("--host", "hosts", multiple=True, metavar="HOST", help="Look at the usual instrument ports of this host.")
@click.option("--bench", "bench_name", metavar="BENCH", help="Try each instrument of this bench file, or shipped one.")
@click.option(
    "--try",
    "tried",
    metavar="NAME",
    help="Try a driver's promises on this instrument: its name in --bench, or an address.",
)
@click.option(
    "--driver", metavar="DRIVER", help="The driver to try; without it, the one that takes the instrument's identity."
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line.")
def find_command(
    addresses: tuple[str, ...],
    hosts: tuple[str, ...],
    bench_name: str | None,
    tried: str | None,
    driver: str | None,
    as_json: bool,
) -> int:
    """Show which instruments answer on this machine.

    Looks at every serial port, and at the addresses and hosts that are given. Asks who is there and sets nothing; a
    machine at one of these ports hears the questions too, so pull out what must not, or give addresses only.
    --try does set things: give it an instrument whose inputs hang free or touch nothing that matters.

    Exit code 0: something answered, and everything of --bench did. 4: not so.
    """
    _refuse_mixed(bool(tried), bool(bench_name), bool(addresses or hosts), bool(driver))
    bench = load_bench(locate(bench_name)) if bench_name else None
    with orderly(), ExitStack() as stack:
        if tried:
            return _try(stack, tried, driver, bench, as_json)
        _say_what_is_missing(as_json)
        found = _report(_of_bench(stack, bench) if bench else _here(addresses, hosts), as_json)
    answering = [finding.state == "answers" for finding in found]
    return 0 if answering and (all(answering) if bench else any(answering)) else 4


def _refuse_mixed(tried: bool, bench: bool, places: bool, driver: bool) -> None:
    """Raises FileError for options of which one would be of no effect."""
    if driver and not tried:
        raise FileError("--driver is for --try.", next_step="Say on which instrument: --try NAME.")
    if places and (tried or bench):
        other = "--try" if tried else "--bench"
        raise FileError(f"--address and --host do not go with {other}.", next_step="Ask the one, then the other.")


def _say_what_is_missing(as_json: bool) -> None:
    for module, package in _PACKAGES.items():
        if importlib.util.find_spec(module) is None:
            click.echo(f"{package} is missing: its instruments cannot be seen. pip install {package}", err=True)


def _here(addresses: Sequence[str], hosts: Sequence[str]) -> Iterator[PlaceFinding]:
    given = [Place(address) for address in addresses]
    if given and not hosts:
        return look(given, RealClock())
    return chain(cables_without_port(), look([*given, *ports_here()], RealClock(), hosts=hosts))


def _of_bench(stack: ExitStack, bench: Bench) -> Iterator[PlaceFinding]:
    station = Station(bench, RealClock())
    stack.callback(station.close)
    return try_bench(list(bench.instruments.values()), station.attached)


def _report(findings: Iterator[PlaceFinding], as_json: bool) -> list[PlaceFinding]:
    """Each as soon as it is known; what they were, for the exit code."""
    found = []
    for finding in findings:
        found.append(finding)
        click.echo(json.dumps(_data(finding)) if as_json else "\n".join(lines_of(finding)))
    if not found and not as_json:
        click.echo("No serial port on this machine. Network instruments: --host HOST, or --address ADDRESS.")
    return found


def lines_of(finding: PlaceFinding) -> list[str]:
    """A finding for a person: who and where, which driver, what is wrong; at most 80 columns where words can break."""
    who = str(finding.identity) if finding.identity else finding.words
    name = f"{finding.place.name}: " if finding.place.name else ""
    lines = [f"{finding.state:8} {plain(name + finding.place.address)}"]
    if finding.place.note:
        lines.append(f"         {plain(finding.place.note)}")
    lines += _wrapped(who)
    if finding.drivers and finding.state == "answers":
        lines.append(f"         driver {' or '.join(finding.drivers)}")
    if finding.identity and finding.words:
        lines += _wrapped(finding.words)
    return lines + (_wrapped(finding.cure) if finding.cure else [])


def _wrapped(words: str, indent: int = 9) -> list[str]:
    margin = " " * indent
    return textwrap.wrap(
        plain(words),
        79,
        initial_indent=margin,
        subsequent_indent=margin,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _data(finding: PlaceFinding) -> dict[str, Any]:
    identity = finding.identity
    return {
        "state": finding.state,
        "name": finding.place.name,
        "address": finding.place.address,
        "note": finding.place.note,
        "identity": None
        if identity is None
        else {
            "maker": identity.maker,
            "model": identity.model,
            "serial": identity.serial,
            "firmware": identity.firmware,
        },
        "drivers": list(finding.drivers),
        "words": finding.words,
        "cure": finding.cure,
    }


# A driver tried


def _try(stack: ExitStack, tried: str, driver: str | None, bench: Bench | None, as_json: bool) -> int:
    clock = RealClock()
    spec = chosen(tried, driver, bench, clock)
    require_lead_off(bench, spec)
    factory = load_driver(spec.driver)
    usual = getattr(factory, "LINE", None)
    log = WireLog()
    link = stack.enter_context(closing(_open(spec, clock, usual, bench)))
    instrument = factory(LoggedLink(link, clock, log), clock, dict(spec.options))
    if not as_json:
        click.echo(f"Driver {spec.driver} on {plain(address_of(spec))}. It sets things; nothing is switched on.")
    outcomes = []
    for row in load_contract()(instrument, clock, log):
        outcomes.append(row.outcome)
        click.echo(json.dumps(_row_data(row)) if as_json else "\n".join(row_lines(row)))
    if not as_json:
        click.echo("\n".join([_summary(outcomes), *_wrapped(_as_left(factory), 0)]))
    return 4 if "broken" in outcomes else 0


def _as_left(factory: Any) -> str:
    """Settings of before are not asked, so they cannot be put back; what is left instead is said."""
    if issubclass(factory, Oscilloscope):
        return (
            "Left on channel 1 at 1 V/div about 0 V, DC, probe 1x, 1 ms/div, rising trigger on channel 1 at 0 V, "
            "running. Set back what you had."
        )
    return "Left on DC volts, autorange." if issubclass(factory, Multimeter) else "Left as it was."


def _open(spec: InstrumentSpec, clock: Clock, usual: LineSettings | None, bench: Bench | None) -> Link:
    from ..instruments import load_world

    world = load_world(bench.world)(clock) if bench and bench.world else None
    return open_link(address_of(spec), clock, spec.line_settings(usual or LineSettings()), world)


def chosen(wanted: str, driver: str | None, bench: Bench | None, clock: Clock) -> InstrumentSpec:
    """The instrument called `wanted`, a name on the bench or an address; its driver as given, or as its identity says.

    Raises FileError where no driver is named and none takes it, LinkError where nothing can be opened.
    """
    if "::" not in wanted and "://" not in wanted:
        if bench is None:
            raise FileError(
                f"{wanted!r} is no address.", next_step="If it is a name, say of which bench: --bench my-bench.toml"
            )
        spec = bench.instrument(wanted)
        return replace(spec, driver=driver) if driver else spec
    if driver:
        return InstrumentSpec(wanted, driver, wanted)
    parse_address(wanted)  # one of no known form is a mistake of the command, not trouble with an instrument
    finding = probe(Place(wanted), clock)
    if finding.state != "answers":
        raise InstrumentError(f"{wanted}: {finding.words}", instrument=wanted, next_step=finding.cure)
    if not finding.drivers:
        raise FileError(
            f"{finding.identity} answers at {wanted}, but no installed driver says that it knows it.",
            next_step="Name one with --driver.",
        )
    return InstrumentSpec(wanted, finding.drivers[0], wanted)


def row_lines(row: Any) -> list[str]:
    """A row of the table; what went over the wire only where a promise was broken or something was refused."""
    lines = [f"{row.outcome:8} {row.what}"]
    lines += _wrapped(row.detail) if row.detail else []
    return lines + [f"           {plain(part)[:200]}" for part in row.dialogue.splitlines()[-_SHOWN:]]


_SHOWN = 12  # lines of a dialogue: the newest say why


def _row_data(row: Any) -> dict[str, str]:
    return {"what": row.what, "outcome": row.outcome, "detail": row.detail, "dialogue": row.dialogue}


def _summary(outcomes: Sequence[str]) -> str:
    return ", ".join(f"{outcomes.count(kind)} {kind}" for kind in ("works", "refused", "broken")) + "."


_PARTS = ("channels", "catches", "axis")


def require_lead_off(bench: Bench | None, spec: InstrumentSpec) -> None:
    """Return once somebody has said that the lead of this instrument is off every hazard's point it is used at.

    Raises Refused where they do not, or nobody can be asked.
    """
    uses = dict.fromkeys(hazardous_uses(bench, spec))
    if not uses:
        return
    where = ", ".join(f"{point} ({file})" for point, file in uses)
    with open_keys() as keys:
        question = (
            f"{spec.name} is used at {where}. Is its lead off that point, and on nothing that can hurt? (yes/no) "
        )
        while (answer := keys.line(plain(question))) is not None:
            if answer.strip().lower() == "yes":
                return
            if answer.strip().lower() in ("no", "stop"):
                break
    raise Refused(
        f"{spec.name} is used at {where}, and its lead may still be there.",
        next_step="Make the point safe, move the lead, and say so when you are asked; or use a procedure.",
    )


def hazardous_uses(bench: Bench | None, spec: InstrumentSpec) -> Iterator[tuple[str, str]]:
    """(point, file) of each hazardous step, in the files beside the bench file, that uses this instrument."""
    if bench is None or not (name := _name_on(bench, spec)):
        return
    for path in sorted(Path(bench.file).parent.glob("*.toml")):
        for step in _steps(path):
            if step.get("hazard"):
                yield from (
                    (str(it.get("point", "?")), path.name) for it in _sources(step) if it.get("instrument") == name
                )


def _name_on(bench: Bench, spec: InstrumentSpec) -> str:
    """The bench's own name of an instrument that was given by name or by address; empty for one it has not got."""
    if spec.name in bench.instruments:
        return spec.name
    try:
        wanted = place_of(parse_address(spec.address))
    except FileError:
        return ""
    return next(
        (it.name for it in bench.instruments.values() if it.address and place_of(parse_address(it.address)) == wanted),
        "",
    )


def _steps(path: Path) -> list[Mapping[str, Any]]:
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8")).get("step", [])
    except (OSError, ValueError, RecursionError):
        return []
    return [it for it in found if isinstance(it, dict)] if isinstance(found, list) else []


def _sources(step: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    parts = [part for key in _PARTS if isinstance(step.get(key), list) for part in step[key]]
    return [step, *(part for part in parts if isinstance(part, dict))]
