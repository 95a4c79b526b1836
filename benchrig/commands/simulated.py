"""A soak on the simulated bench and a simulated clock: the same code, hundreds of times faster.

Faults are switched on at moments of the simulated time, written "intermittent fuse@3 h".
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial
from typing import Any

from ..alarms import Alarms
from ..bench import Bench
from ..clock import SimClock
from ..dashboard.book import Book
from ..errors import FileError, UnitError
from ..instruments import load_stand_in, load_world
from ..procedure import Procedure
from ..session import run
from ..session.attached import BenchTools
from ..ui.terminal import Shown
from ..units import quantity_in
from .leaving import report_command, say_afterwards
from .opening import open_bench
from .showing import JSON, open_dashboard, open_display


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
