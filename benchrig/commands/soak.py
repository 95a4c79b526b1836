"""`benchrig soak`: a procedure that watches a unit for hours or days, with nobody there; or a simulated one.

Faults are switched on at moments of the simulated time, written "intermittent fuse@3 h".
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import click

from ..alarms import Alarms, try_all
from ..bench import Bench, load_bench
from ..clock import RealClock, SimClock
from ..dashboard.notice_log import Book
from ..errors import FileError, UnitError
from ..instruments import load_stand_in, load_world
from ..procedure import Procedure, load_procedure
from ..session import run
from ..session.bench_tools import BenchTools
from ..steps.soak import Soak
from ..ui.terminal import Shown
from ..units import quantity_in
from .alarms import Relay, everybody, ringing, until_acknowledged
from .bench import refuse_unfit
from .display_choice import JSON, dashboard_option, mode, open_dashboard, open_display, showing_options
from .lookout import lookout
from .options import locate, orderly, report_command, say_afterwards, unit_options, written_record
from .run import Wanted, named_bench, open_bench, open_job


@click.command("soak")
@click.argument("procedure")
@unit_options
@click.option("--for", "lasts", metavar="DURATION", help='How long, such as "8 h", instead of what the file says.')
@click.option("--try-alarms", is_flag=True, help="Only tell everybody who would be told of an alarm; then end.")
@click.option("--simulated", is_flag=True, help="On simulated instruments and a simulated clock: a night in minutes.")
@click.option("--seed", type=int, default=0, show_default=True, help="With --simulated: how the unit arrives.")
@click.option(
    "--fault", "faults", multiple=True, metavar="NAME@TIME",
    help='With --simulated: what breaks, and when: "intermittent fuse@3 h". May be given again.',
)  # fmt: skip
@written_record
@dashboard_option
@showing_options
def soak_command(
    procedure: str,
    bench_name: str | None,
    serial: str,
    name: str | None,
    lasts: str | None,
    absent: bool,
    try_alarms: bool,
    simulated: bool,
    seed: int,
    faults: tuple[str, ...],
    record: str | None,
    dashboard: str | None,
    as_json: bool,
    plain: bool,
) -> int:
    """Watch a unit for hours or days on the bench of a bench file, as PROCEDURE (a file, or a shipped one) says.

    Alarms go to whom the bench file names in [alarms]; --try-alarms tries that before you leave.
    """
    work = shortened(load_procedure(locate(procedure)), lasts)
    how = mode(as_json, plain)
    refuse_mixed(
        simulated,
        {"--fault": bool(faults), "--seed": bool(seed)},
        {"--try-alarms": try_alarms, "--absent": absent, "--operator": name is not None},
    )
    if simulated:
        where = load_bench(locate(bench_name or "skerry14/bench"))
        return soak_simulated(work, where, seed, planned(faults), serial or "SK14-0231", record, how, dashboard)
    bench = named_bench(bench_name)
    if try_alarms:
        return tried(bench, serial)
    refuse_unfit(work, bench)
    with orderly(), ExitStack() as stack:
        it = open_job(stack, bench, Wanted(record, how, dashboard, name, absent))
        clock, store = it.clock, it.store
        beats = stack.enter_context(lookout(bench, clock, serial, store.path))
        shown = Relay(it.operator, beats)
        alarms = stack.enter_context(ringing(bench.alarms, clock, shown.notify, serial, store.path))
        outcome = run(work, it.tools, shown, store, clock, serial=serial, alarms=alarms)
        if not absent or bench.alarms.callers:
            until_acknowledged(alarms, shown, clock)
    return outcome.exit_code


def refuse_mixed(simulated: bool, for_simulated: Mapping[str, bool], for_a_bench: Mapping[str, bool]) -> None:
    """Raises FileError for an option that would be of no effect, by whether each was given."""
    other = for_a_bench if simulated else for_simulated
    given = next((option for option, it in other.items() if it), None)
    if given and simulated:
        raise FileError(f"{given} is for a bench of your own.", next_step="Leave it out, or leave out --simulated.")
    if given:
        raise FileError(
            f"{given} needs --simulated.", next_step="Add that, or leave it out: your own unit stays whole."
        )


def shortened(work: Procedure, lasts: str | None) -> Procedure:
    """The procedure with its soak steps lasting as long as `lasts` says. Raises FileError where it has none."""
    if not any(isinstance(step, Soak) for step in work.steps):
        raise FileError(f"{work.file} has no soak step.", next_step="Use `benchrig run`, or name another procedure.")
    if lasts is None:
        return work
    try:
        seconds = quantity_in(lasts, "s")
    except UnitError as error:
        raise FileError(f"--for: {error.message}", next_step='Write it like "8 h".') from error
    if not seconds > 0.0:
        raise FileError(f"--for {lasts}: that is no time.", next_step='Write it like "8 h".')
    steps = tuple(step.shortened(seconds) if isinstance(step, Soak) else step for step in work.steps)
    return replace(work, steps=steps)


def tried(bench: Bench, serial: str) -> int:
    """Tell everybody, and say who was reached."""
    if not bench.alarms.callers:
        raise FileError(
            f"{bench.file} names nobody to be told.", next_step="Add [[alarms.command]] or one of its kind."
        )
    rows = try_all(everybody(bench.alarms), RealClock().stamp(), serial)
    for name, told, words in rows:
        click.echo(f"{'told' if told else 'NOT TOLD':9}{name}{'' if told else f': {words}'}")
    return 0 if all(told for _, told, _ in rows) else 1


@dataclass(frozen=True, slots=True)
class Planned:
    """A fault of the simulated unit, switched on `at` seconds after the start."""

    name: str
    at: float


def planned(texts: Sequence[str]) -> list[Planned]:
    """Raises FileError for what is not NAME@TIME."""
    found = []
    for text in texts:
        name, _, when = text.rpartition("@")
        try:
            found.append(Planned(name.strip(), quantity_in(when.strip(), "s")))
        except UnitError as error:
            raise FileError(
                f"--fault {text!r}: {error.message}", next_step='Write it like "intermittent fuse@3 h".'
            ) from error
    return found


def _known(hands: Any, name: str) -> None:
    """Raises FileError for a fault that this unit cannot have: asked by mending what is not broken yet."""
    try:
        hands.fault(name, False)
    except LookupError as error:
        cure = "Name one of those, or scratchy and a trimmer."
        raise FileError(f"--fault {name!r}: {error}", next_step=cure) from None


def soak_simulated(
    work: Procedure, bench: Bench, seed: int, faults: Sequence[Planned], serial: str, record: str | None,
    how: str, dashboard: str | None,
) -> int:  # fmt: skip
    """Run it, and say how long it took."""
    if not bench.world:
        raise FileError(f"{bench.file} names no simulated world.", next_step="Use --bench skerry14/bench.")
    clock = SimClock()
    with ExitStack() as stack:
        world = load_world(bench.world)(clock, seed=seed, tired=False)
        for fault in faults:
            _known(world.hands, fault.name)
            clock.at(clock.now() + fault.at, partial(world.hands.fault, fault.name))
        store, station = open_bench(stack, bench, record, clock, world=world)
        operator = load_stand_in("operator")(world.hands, clock, seed=seed)
        stack.callback(operator.close)
        shown = Shown(operator, Book(store, clock), open_display(stack, how, clock), *open_dashboard(stack, dashboard))
        alarms = Alarms([], clock, shown.notify, unit_serial=serial)
        began = time.monotonic()
        outcome = run(work, BenchTools(station), shown, store, clock, serial=serial, alarms=alarms)
        took = time.monotonic() - began
    if how != JSON:
        hours = clock.now() / 3600.0
        say_afterwards(
            [f"{hours:.1f} h of simulated time in {took:.0f} s. Report: {report_command(outcome.job, record)}"]
        )
    return outcome.exit_code
