"""`benchrig soak`: a procedure that watches a unit for hours or days, with nobody there after the start."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import replace

import click

from ..alarms import try_all
from ..bench import Bench, load_bench
from ..clock import RealClock
from ..errors import FileError, UnitError
from ..procedure import Procedure, load_procedure
from ..session import run
from ..steps.soak import Soak
from ..units import quantity_in
from .check import refuse_unfit
from .lookout import lookout
from .opening import Wanted, named_bench, open_job
from .options import unit_options, written_record
from .ringing import Relay, everybody, ringing, until_acknowledged
from .shipped import locate
from .showing import dashboard_option, mode, showing_options
from .simulated import planned, soak_simulated
from .way_out import orderly


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
def command(
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
