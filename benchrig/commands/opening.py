"""What every job opens: its record, its bench, and who is at it. Each is closed again with the `stack` it is put on."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..bench import Bench, Station, load_bench
from ..clock import Clock, RealClock
from ..dashboard.book import Book
from ..errors import FileError
from ..records import open_store
from ..records.sqlite import SqliteStore
from ..session import AbsentOperator
from ..session.attached import BenchTools
from ..session.operators import Operator
from ..ui.terminal import Shown
from .leaving import close
from .person import login_name
from .shipped import locate
from .showing import open_dashboard, open_display, open_sounds, person


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
