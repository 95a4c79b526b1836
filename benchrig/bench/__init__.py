"""The bench: which instruments there are, how they are reached, how well they measure. `load_bench` reads its file."""

from __future__ import annotations

from pathlib import Path

from .attach import Attached, Patience
from .model import Accuracy, Bench, InstrumentSpec, Probe, Waveforms
from .source import Source, readings
from .station import Station

__all__ = [
    "Accuracy",
    "Attached",
    "Bench",
    "InstrumentSpec",
    "Patience",
    "Probe",
    "Source",
    "Station",
    "Waveforms",
    "load_bench",
    "readings",
]


def load_bench(path: str | Path) -> Bench:
    """Read a bench file; the form is shown in `benchrig.bench.reader`. Raises FileError with every mistake in it."""
    from .reader import load_bench as load  # pydantic is paid for only by those who read a file

    return load(path)
