"""What goes into a record, as plain data, and what a store must be able to do with it.

Rules for every store:
1. When a call returns, what it was given survives the death of this process. Facts go in before they are shown.
2. Acknowledgements, verdicts and the end of a job survive a power cut too, and so does everything older than a second.
3. One thread writes. Readers open the record read-only and never hold the writer up.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from ..errors import BenchrigError
from ..readings import Reading

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from ..signals.waveform import Waveform


STOPPED = (3, 4, 5)  # exit codes of jobs that ended before their last step and may go on


class StoreError(BenchrigError):
    """The record cannot be written or read: disk full, file locked, server away."""


class WrongRecord(StoreError):
    """What was named is no record, none that this benchrig knows, or holds no such job: the command wants mending."""

    exit_code = 2


@dataclass(frozen=True, slots=True)
class InstrumentFacts:
    """One instrument as it was used in a job."""

    name: str
    driver: str = ""
    address: str = ""
    identity: str = ""
    calibration_due: str = ""


@dataclass(frozen=True, slots=True)
class JobHead:
    """What a job is about; `jobs` of the record has a column for each."""

    procedure: str
    title: str
    procedure_digest: str
    procedure_file: str
    unit: str
    serial: str
    operator: str
    bench: str
    simulated: bool
    version: str
    rule: str


@dataclass(frozen=True, slots=True)
class JobFacts(JobHead):
    """A job as it begins."""

    instruments: Sequence[InstrumentFacts] = ()
    environment: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class StepFacts:
    """A step as it begins. `round` counts how often this step was begun in this job, from 1."""

    step: str
    kind: str
    title: str
    number: int
    round: int = 1
    purpose: str = "do"  # "as found", "do", "check again", "put back"
    point: str = ""
    trimmer: str = ""


@dataclass(frozen=True, slots=True)
class StepResult:
    """A step as it ended: verdict, and everything the verdict rests on. Values in `unit`; None where there is none."""

    verdict: str
    value: float | None = None
    unit: str = ""
    uncertainty: float | None = None
    low: float | None = None
    high: float | None = None
    acceptable_low: float | None = None
    acceptable_high: float | None = None
    rule: str = ""
    probability: float | None = None
    guard_band: float | None = None
    tier: str = ""
    words: str = ""
    details: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Block:
    """Many readings of one channel, in columns of shape (n,), in order of time.

    times   seconds of the sitting's monotonic clock; kept to the microsecond
    values  in `unit`; nan where there is no number; kept bit for bit
    flags   bits of `readings.Flag`
    """

    times: NDArray[np.float64]
    values: NDArray[np.float64]
    flags: NDArray[np.uint32]
    unit: str
    resolution: float | None = None


@dataclass(frozen=True, slots=True)
class AcknowledgementFacts:
    """An answer to a hold point, word for word."""

    hazard: str
    test_point: str
    expected: float
    phrase: str
    typed: str | None
    acknowledged: bool
    operator: str
    purpose: str
    words: str = ""


class Store(Protocol):
    """Where a record is written. `now` is monotonic seconds, `stamp` wall time; both belong to one moment.

    Every method raises StoreError where it cannot keep its promise.
    """

    @property
    def path(self) -> Path:
        """The file of the record, for whoever reads it."""
        ...

    def begin_job(self, facts: JobFacts, now: float, stamp: datetime) -> int:
        """A new job and its first sitting. Returns the job's number."""
        ...

    def resume_job(self, job: int, now: float, stamp: datetime) -> None:
        """A new sitting at a job that was broken off, or stopped before its end (exit codes 3, 4 and 5)."""
        ...

    def instruments(self, found: Sequence[InstrumentFacts]) -> None:
        """Who answered, as far as it is known by now; call often. Another unit under the same name, as after a job was
        taken up again, does not take the place of the one before: both are kept."""
        ...

    def end_job(self, outcome: str, exit_code: int, now: float, stamp: datetime) -> None: ...

    def begin_step(self, facts: StepFacts, now: float, stamp: datetime) -> int:
        """Returns the number under which readings and the result of this step are kept."""
        ...

    def end_step(self, row: int, result: StepResult, now: float, stamp: datetime) -> None: ...

    def reading(self, row: int, channel: str, reading: Reading) -> None: ...

    def readings(self, row: int, channel: str, readings: Sequence[Reading]) -> None:
        """Many at once, all or none."""
        ...

    def block(self, row: int, channel: str, block: Block) -> None:
        """Many at once, in columns; small ones are joined later. Nothing happens for none."""
        ...

    def waveform(self, row: int, channel: str, waveform: Waveform, now: float) -> None: ...

    def acknowledgement(self, row: int, facts: AcknowledgementFacts, now: float, stamp: datetime) -> None: ...

    def mark(self, row: int, trimmer: str, words: str, value: float | None, unit: str, now: float) -> None:
        """Where something that hands can turn stood before it was touched."""
        ...

    def event(self, row: int | None, kind: str, facts: Mapping[str, Any], now: float, stamp: datetime) -> None:
        """Anything else worth keeping; `facts` in JSON's own types."""
        ...

    def note_clock(self, now: float, stamp: datetime) -> float:
        """Call often. Where the two clocks parted by more than 2 s since the last call, that is kept as an event
        `clock` with `moved` in seconds, and returned; 0 otherwise."""
        ...

    def open_gap(self, row: int, instrument: str, reason: str, now: float, stamp: datetime) -> int: ...

    def close_gap(self, gap: int, now: float, stamp: datetime) -> None: ...

    def traffic(self, instrument: str, dialogue: str, now: float) -> None:
        """What went over an instrument's link lately, for whoever looks for a fault."""
        ...

    def keep_alive(self, now: float) -> None:
        """Call often. At most once a second it puts everything so far beyond the reach of a power cut."""
        ...

    def close(self) -> str:
        """Ends the writing. Returns what the person should know of it; empty for all is well."""
        ...
