"""What every job opens: its record, its bench, and who is at it. Each is closed again with the `stack` it is put on."""

from __future__ import annotations

from contextlib import ExitStack
from typing import Any

from ..bench import Bench, Station
from ..clock import Clock
from ..records import open_store
from ..records.sqlite import SqliteStore
from ..session import AbsentOperator
from ..session.operators import Operator
from ..ui.terminal import Shown
from .leaving import close
from .person import login_name
from .showing import open_display, person


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
