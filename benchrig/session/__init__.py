"""Running a procedure with a person, or with who stands in for one: `run`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from ..lazy import names_of

if TYPE_CHECKING:
    from ..bench.model import Bench
    from ..clock import Clock
    from ..procedure.model import Procedure
    from ..records.facts import Store
    from .operators import AbsentOperator, Operator, ScriptedOperator
    from .runner import Outcome
    from .tools import Tools

__all__ = ["AbsentOperator", "Outcome", "ScriptedOperator", "run"]
__getattr__ = names_of(
    globals(), {"AbsentOperator": ".operators", "Outcome": ".runner", "ScriptedOperator": ".operators"}
)


def run(
    procedure: Procedure,
    bench: Bench | Tools,
    operator: Operator,
    store: Store,
    clock: Clock | None = None,
    **options: Any,
) -> Outcome:
    """Run `procedure` on `bench` with `operator`, everything into `store`; returns how the job ended.

    bench    what `load_bench` gives, opened here as far as steps need it and closed again; or an opened one
    clock    the real one unless given
    options  as `runner.run` takes them: serial, environment

    Raises FileError before anything is started if something does not fit; StoreError if the record fails.
    """
    from ..bench.model import Bench
    from ..bench.station import Station
    from ..clock import RealClock
    from . import runner
    from .bench_tools import BenchTools

    clock = clock or RealClock()
    if not isinstance(bench, Bench):
        return runner.run(procedure, bench, operator, store, clock, **options)
    station = Station(bench, clock)
    try:
        return runner.run(procedure, BenchTools(station), operator, store, clock, **options)
    finally:
        station.close()
