"""The rows of a record as data, and how they are made of what stands in its tables. Pure.

What a damaged record holds may be no row at all: making one then raises one of `DAMAGED`.
"""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from ..readings import Flag, Reading
from .facts import JobHead, StepResult

if TYPE_CHECKING:
    from ..signals.waveform import Waveform

DAMAGED = (ValueError, LookupError, TypeError, OverflowError, zlib.error)


@dataclass(frozen=True, slots=True)
class JobRow(JobHead):
    """One job in a list. `ended` None: still running, or broken off."""

    id: int
    started: datetime
    ended: datetime | None
    environment: Mapping[str, Any]
    outcome: str | None
    exit_code: int | None


@dataclass(frozen=True, slots=True)
class StepRow:
    """One step of a job. `result` None: it never ended. Times in seconds of its sitting."""

    row: int
    sitting: int
    step: str
    kind: str
    title: str
    number: int
    round: int
    purpose: str
    point: str
    trimmer: str
    started: datetime
    ended: datetime | None
    started_at: float
    ended_at: float | None
    result: StepResult | None


@dataclass(frozen=True, slots=True)
class Sitting:
    """One stretch of work at a job by one process. `alive` is the last sign of life of it, by its own clock."""

    id: int
    started: datetime
    alive: datetime


@dataclass(frozen=True, slots=True)
class ChannelRow:
    """One series of readings of a step."""

    id: int
    step_row: int
    name: str
    unit: str


def job_of(row: sqlite3.Row) -> JobRow:
    values = dict(row)
    ended = values.pop("ended")
    return JobRow(
        **{
            **values,
            "started": datetime.fromisoformat(values["started"]),
            "ended": None if ended is None else datetime.fromisoformat(ended),
            "simulated": bool(values["simulated"]),
            "environment": json.loads(values["environment"]),
        }
    )


def sitting_of(number: int, started: str, alive_us: int) -> Sitting:
    began = datetime.fromisoformat(started)
    return Sitting(number, began, began + timedelta(microseconds=alive_us))


_RESULT = (
    "verdict", "value", "unit", "uncertainty", "low", "high", "acceptable_low", "acceptable_high", "rule",
    "probability", "guard_band", "tier", "words",
)  # fmt: skip


def step_of(row: sqlite3.Row) -> StepRow:
    result = None
    if row["verdict"] is not None:
        result = StepResult(**{key: row[key] for key in _RESULT}, details=json.loads(row["details"]))
    return StepRow(
        row=row["id"],
        sitting=row["sitting"],
        step=row["step"],
        kind=row["kind"],
        title=row["title"],
        number=row["number"],
        round=row["round"],
        purpose=row["purpose"],
        point=row["point"],
        trimmer=row["trimmer"],
        started=datetime.fromisoformat(row["started"]),
        ended=None if row["ended"] is None else datetime.fromisoformat(row["ended"]),
        started_at=row["started_us"] / 1e6,
        ended_at=None if row["ended_us"] is None else row["ended_us"] / 1e6,
        result=result,
    )


def reading_of(row: sqlite3.Row, unit: str) -> Reading:
    return Reading(
        row["value"], unit, row["at_us"] / 1e6, Flag(row["flags"]), row["resolution"], uncertainty=row["uncertainty"]
    )


def waveform_of(row: sqlite3.Row) -> Waveform:
    import numpy as np

    from ..signals.waveform import Waveform

    samples = np.frombuffer(zlib.decompress(row["samples"]), dtype=row["kind"])
    if samples.dtype.kind == "f":
        return Waveform(samples, row["interval"], row["start"], triggered=bool(row["triggered"]))
    return Waveform.from_codes(
        samples, row["scale"], row["offset"], row["interval"], row["start"], triggered=bool(row["triggered"])
    )
