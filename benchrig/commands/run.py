"""`benchrig run`: a procedure on your bench, with you at the terminal."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

import click

from ..procedure import load_procedure
from ..session import run
from ..session.plan import printed
from .broken import broken_off
from .check import refuse_unfit
from .opening import Wanted, named_bench, open_job
from .options import unit_options, written_record
from .shipped import locate
from .showing import dashboard_option, mode, showing_options, sound_options
from .way_out import orderly


@click.command("run")
@click.argument("procedure")
@unit_options
@click.option("--plan", "only_plan", is_flag=True, help="Print the steps and what opens what again; then end.")
@click.option("--resume", is_flag=True, help="Go on with this unit's job that was broken off.")
@written_record
@dashboard_option
@sound_options
@showing_options
def command(
    procedure: str,
    bench_name: str | None,
    serial: str,
    name: str | None,
    absent: bool,
    only_plan: bool,
    resume: bool,
    record: str | None,
    dashboard: str | None,
    sound: str,
    wav: Path | None,
    as_json: bool,
    plain: bool,
) -> int:
    """Run PROCEDURE (a file, or the name of a shipped one) on the bench of a bench file.

    First everything is checked on paper, as `benchrig check` does; nothing is touched if that refuses it.
    """
    work = load_procedure(locate(procedure))
    if only_plan:
        click.echo("\n".join(printed(work)))
        return 0
    bench = named_bench(bench_name)
    refuse_unfit(work, bench)
    wanted = Wanted(record, mode(as_json, plain), dashboard, name, absent, sound, wav)
    with orderly(), ExitStack() as stack:
        it = open_job(stack, bench, wanted)
        job = broken_off(it.store.path, serial, work.digest) if resume else None
        outcome = run(work, it.tools, it.operator, it.store, it.clock, serial=serial, resume=job)
    return outcome.exit_code
