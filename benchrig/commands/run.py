"""`benchrig run`: a procedure on your bench, with you at the terminal."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

import click

from ..bench import load_bench
from ..clock import RealClock
from ..errors import FileError
from ..glance.book import Book
from ..procedure import load_procedure
from ..session import run
from ..session.attached import BenchTools
from ..session.plan import printed
from ..ui.terminal import Shown
from .broken import broken_off
from .check import refuse_unfit
from .opening import open_bench, open_operator
from .options import unit_options, written_record
from .shipped import locate
from .showing import glance_option, mode, open_glance, open_sounds, showing_options, sound_options
from .way_out import orderly


@click.command("run")
@click.argument("procedure")
@unit_options
@click.option("--plan", "only_plan", is_flag=True, help="Print the steps and what opens what again; then end.")
@click.option("--resume", is_flag=True, help="Go on with this unit's job that was broken off.")
@written_record
@glance_option
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
    glance: str | None,
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
    if not bench_name:
        raise FileError("Which bench?", next_step="Name its file: --bench my-bench.toml")
    bench = load_bench(locate(bench_name))
    refuse_unfit(work, bench)
    how = mode(as_json, plain)
    with orderly(), ExitStack() as stack:
        clock = RealClock()
        store, station = open_bench(stack, bench, record, clock)
        sounds = open_sounds(stack, sound, wav, clock)
        operator = open_operator(stack, how, clock, name, absent=absent)
        shown = Shown(operator, Book(store, clock), *sounds, *open_glance(stack, glance))
        job = broken_off(store.path, serial, work.digest) if resume else None
        outcome = run(work, BenchTools(station), shown, store, clock, serial=serial, resume=job)
    return outcome.exit_code
