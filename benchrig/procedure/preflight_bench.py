"""The instruments and probes of a procedure on a bench, each looked at once: driver, calibration, hold point. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from ..bench.model import Bench
from ..instruments import driver_names
from .model import Procedure
from .quantities import TypedSource
from .rows import PreflightRow


def instruments(procedure: Procedure, bench: Bench, today: date | None) -> Iterable[PreflightRow]:
    """Rows of no step. `today` None: calibration dates are not looked at."""
    installed = driver_names()
    for name in _used(procedure):
        spec = bench.instruments.get(name)
        if spec is None:
            continue
        if spec.driver not in installed:
            words = f"driver {spec.driver!r} of {name} is not installed. Installed: {', '.join(installed)}."
            yield PreflightRow("", 0, "driver", "refuse", f"{bench.file}: {words}")
        yield from _overdue(name, spec.calibration_due, today)
        if _shared(procedure, name):
            words = f"{name} reads harmless points too, so it is opened before the hold point."
            yield PreflightRow("", 0, "hold point", "note", words)
    for name in _probes(procedure):
        if name in bench.probes:
            yield from _overdue(name, bench.probes[name].calibration_due, today)


def _overdue(name: str, due: date | None, today: date | None) -> Iterable[PreflightRow]:
    if today is not None and due is not None and due < today:
        yield PreflightRow("", 0, "calibration", "warn", f"{name} was due for calibration on {due}.")


def _probes(procedure: Procedure) -> list[str]:
    sources = (source for step in procedure.steps for source in step.sources)
    return list(dict.fromkeys(s.probe for s in sources if not isinstance(s, TypedSource) and s.probe is not None))


def _used(procedure: Procedure) -> list[str]:
    sources = (source for step in procedure.steps for source in step.sources)
    return list(dict.fromkeys(s.instrument for s in sources if not isinstance(s, TypedSource)))


def _shared(procedure: Procedure, name: str) -> bool:
    kinds = {
        step.hazard is not None
        for step in procedure.steps
        for source in step.sources
        if not isinstance(source, TypedSource) and source.instrument == name
    }
    return len(kinds) == 2
