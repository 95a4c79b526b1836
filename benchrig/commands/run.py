"""`benchrig run`, and what opens a job: bench, operator, record, screen."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from ..bench import Bench, Station, load_bench
from ..clock import Clock, RealClock
from ..dashboard.notice_log import Book
from ..errors import FileError
from ..procedure import load_procedure
from ..records import History, open_store
from ..records.sqlite import SqliteStore
from ..session import AbsentOperator, run
from ..session.bench_tools import BenchTools
from ..session.operators import Operator
from ..session.plan import printed
from ..ui.terminal import Shown
from .bench import refuse_unfit
from .display_choice import (
    dashboard_option,
    mode,
    open_dashboard,
    open_display,
    open_sounds,
    person,
    showing_options,
    sound_options,
)
from .options import close, locate, login_name, orderly, unit_options, written_record


@click.command("run")
@click.argument("procedure")
@unit_options
@click.option("--plan", "only_plan", is_flag=True, help="Print the steps and what opens what again; then end.")
@click.option("--resume", is_flag=True, help="Go on with this unit's job that was broken off.")
@written_record
@dashboard_option
@sound_options
@showing_options
def run_command(
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


@dataclass(frozen=True, slots=True)
class Opened:
    """What `session.run` is handed on a bench of one's own; the operator's displays are heard and seen already."""

    clock: RealClock
    store: SqliteStore
    tools: BenchTools
    operator: Operator


@dataclass(frozen=True, slots=True)
class Wanted:
    """As the command line says it: the record, how it is shown, the page, who is there, what is heard."""

    record: str | None
    how: str
    dashboard: str | None
    name: str | None
    absent: bool
    sound: str = "off"
    wav: Path | None = None


def named_bench(name: str | None) -> Bench:
    """The bench of that file or shipped name. Raises FileError, also where none is named."""
    if not name:
        raise FileError("Which bench?", next_step="Name its file: --bench my-bench.toml")
    return load_bench(locate(name))


def open_job(stack: ExitStack, bench: Bench, wanted: Wanted) -> Opened:
    """The record, the bench, who is at it, and every display."""
    clock = RealClock()
    store, station = open_bench(stack, bench, wanted.record, clock)
    sounds = open_sounds(stack, wanted.sound, wanted.wav, clock)
    operator = open_operator(stack, wanted.how, clock, wanted.name, absent=wanted.absent)
    shown = Shown(operator, Book(store, clock), *sounds, *open_dashboard(stack, wanted.dashboard))
    return Opened(clock, store, BenchTools(station), shown)


def open_bench(
    stack: ExitStack, bench: Bench, record: str | None, clock: Clock, **doubles: Any
) -> tuple[SqliteStore, Station]:
    """The record and the bench's station; `doubles` as `Station` takes them."""
    store = open_store(record)
    stack.callback(close, store)
    station = Station(bench, clock, **doubles)
    stack.callback(station.close)
    return store, station


def open_operator(stack: ExitStack, how: str, clock: Clock, name: str | None, *, absent: bool) -> Operator:
    """The person at this terminal, or nobody."""
    if absent:
        return Shown(AbsentOperator(), open_display(stack, how, clock))
    return person(stack, name or login_name(), how, clock)


def broken_off(record: Path, serial: str, digest: str) -> int:
    """The number of this unit's newest job with this procedure file. Raises FileError if it was not broken off."""
    with History(record) as history:
        job = history.unfinished(serial, digest)
    if job is None:
        raise FileError(
            f"There is no job of unit {serial!r} with this procedure that was broken off.",
            next_step="Look with `benchrig jobs`; or run without --resume.",
        )
    return job.id
