"""A simulated bench in one object, for tests: world, clock, instruments, operator and record, all in process."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from ..bench import Bench, Station, load_bench
from ..clock import SimClock
from ..commands.options import locate
from ..instruments import load_stand_in, load_world
from ..procedure import Procedure, load_procedure
from ..records import History, SqliteStore
from ..session import Outcome, run
from ..session.bench_tools import BenchTools
from ..session.operators import Operator


class SimBench:
    """A simulated bench on a simulated clock; use it as a context manager.

    world    name of an installed simulated bench
    seed     how its unit arrives
    bench    bench file, or the name of a shipped one; `<world>/bench` unless given
    options  passed to the world's factory, such as faults=["dead +12 V rail"]

    >>> with SimBench(seed=0) as bench:
    ...     bench.truth("A1 TP1") > 11.0
    True
    """

    def __init__(self, world: str = "skerry14", seed: int = 0, *, bench: str = "", **options: Any) -> None:
        self.clock = SimClock()
        self.world: Any = load_world(world)(self.clock, seed=seed, **options)
        self.bench: Bench = load_bench(locate(bench or f"{world}/bench"))
        self.station = Station(self.bench, self.clock, world=self.world)
        self.operator: Any = load_stand_in("operator")(self.world.hands, self.clock, seed=seed)
        self._folder = tempfile.TemporaryDirectory(prefix="benchrig-")
        self.record = Path(self._folder.name) / "record.sqlite"

    def run(
        self,
        procedure: str | Path | Procedure,
        *,
        serial: str = "SK14-0231",
        operator: Operator | None = None,
        environment: Mapping[str, Any] | None = None,
    ) -> Outcome:
        """Run a procedure (a file, a shipped name, or a loaded one) and return how it ended."""
        plan = procedure if isinstance(procedure, Procedure) else load_procedure(locate(str(procedure)))
        store = SqliteStore(self.record)
        try:
            return run(
                plan, BenchTools(self.station), operator or self.operator, store, self.clock, serial=serial,
                environment=environment or {},
            )  # fmt: skip
        finally:
            store.close()

    def history(self) -> History:
        """The record so far, for reading; use it as a context manager."""
        return History(self.record)

    def truth(self, name: str) -> float:
        """The simulated unit's own true value of `name` now."""
        return float(self.world.truth(name))

    def close(self) -> None:
        """Leave the bench and forget the record. Safe to call twice."""
        self.operator.close()
        self.station.close()
        self._folder.cleanup()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
