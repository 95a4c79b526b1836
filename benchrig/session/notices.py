"""What a running session tells: to the screen, to the JSON lines, to the record. Plain frozen data.

Each has a `kind`, so that something outside this package (a simulated person, another program reading the
JSON lines) can tell them apart without importing the classes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import ClassVar

from ..events import LinkDown as LinkDown
from ..events import LinkUp as LinkUp
from ..readings import Reading
from ..records.facts import StepResult
from ..trim.types import Goal, TrimView, Way


@dataclass(frozen=True, slots=True)
class JobStarted:
    kind: ClassVar[str] = "job started"
    job: int
    procedure: str
    unit_serial: str
    operator: str
    steps: Sequence[str]


@dataclass(frozen=True, slots=True)
class Connection:
    """What must touch what: an instrument, its channel where it has several, its probe, and the test point."""

    instrument: str
    point: str
    channel: int | None = None
    probe: str = ""


@dataclass(frozen=True, slots=True)
class StepStarted:
    kind: ClassVar[str] = "step started"
    step: str
    step_kind: str
    title: str
    instruction: str
    number: int  # 1-based
    of: int
    trimmer: str = ""  # several are joined by ", "
    point: str = ""
    connections: Sequence[Connection] = ()
    card: str = ""  # the pattern that the unit must show
    conditions: Sequence[str] = ()  # in which the unit must be: "powered", "unplugged"
    hazard: str = ""  # what it exposes; its hold point comes before anything is read


@dataclass(frozen=True, slots=True)
class ReadingTaken:
    kind: ClassVar[str] = "reading"
    step: str
    channel: str
    reading: Reading


@dataclass(frozen=True, slots=True)
class TrimMoved:
    """The gauge has something new to show. `asked`: the part of a turn that the hand is asked for, in words."""

    kind: ClassVar[str] = "trim"
    step: str
    goal: Goal
    view: TrimView
    trimmer: str
    asked: str = ""


@dataclass(frozen=True, slots=True)
class TurnAdvised:
    """Which trimmer to turn next, and how far: until `quantity` reads about `target`.

    degrees   about how far, clockwise positive; None where that is not known yet
    way       which way, where that is known
    counted   turn just that far, let go and say that it is done; otherwise the gauge leads from here
    learning  what it does to the other quantities is not known yet
    """

    kind: ClassVar[str] = "turn advised"
    step: str
    trimmer: str
    quantity: str
    value: float
    target: float
    unit: str
    degrees: float | None = None
    way: Way | None = None
    counted: bool = False
    learning: bool = False


@dataclass(frozen=True, slots=True)
class HoldPointReached:
    kind: ClassVar[str] = "hold point"
    step: str
    phrase: str


@dataclass(frozen=True, slots=True)
class HoldPointAnswered:
    kind: ClassVar[str] = "hold point answered"
    step: str
    acknowledged: bool
    typed: str


@dataclass(frozen=True, slots=True)
class HoldPointLapsed:
    kind: ClassVar[str] = "hold point lapsed"
    step: str
    reason: str


@dataclass(frozen=True, slots=True)
class MadeSafe:
    """What was let live was seen below its limit, or after a broken-off job reported so. Until then it is live."""

    kind: ClassVar[str] = "made safe"
    step: str
    hazard: str


@dataclass(frozen=True, slots=True)
class AxisEnded:
    """One of the values of a step that sets several trimmers together, with the trimmer that is meant for it."""

    trimmer: str
    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class StepEnded:
    """`value` and the rest are the worst's where several trimmers were set together; `axes` has all of them."""

    kind: ClassVar[str] = "step ended"
    step: str
    # "pass", "conditional pass", "conditional fail", "fail"; "done", "skipped", "blocked", "stopped", "refused"
    verdict: str
    value: float | None
    unit: str
    uncertainty: float | None
    words: str = ""  # reason, hint
    axes: tuple[AxisEnded, ...] = ()

    @classmethod
    def of(cls, step: str, it: StepResult) -> StepEnded:
        """As the result of a step says."""
        axes = tuple(AxisEnded(axis["trimmer"], axis["value"], axis["unit"]) for axis in it.details.get("axes", ()))
        return cls(step, it.verdict, it.value, it.unit, it.uncertainty, it.words, axes)


@dataclass(frozen=True, slots=True)
class Said:
    """Something worth a line that fits nowhere else."""

    kind: ClassVar[str] = "said"
    step: str
    words: str
    level: str = "note"  # note, warning, alarm


@dataclass(frozen=True, slots=True)
class ChannelView:
    """One channel of a watch as a display needs it. Values in `unit`; None where there is no number or no limit.

    state   "warm-up", "in", "warning" (outside low..high), "out" (outside acceptable_low..acceptable_high), "absent"
            and, where a record is followed, "unknown"; "" where nobody judges
    since   when it came into this state, wall time
    least, greatest   of the readings since the last telling, so that no trend misses a dip; None where not known
    readings          how many were taken so far
    """

    name: str
    value: float | None
    unit: str
    low: float | None
    high: float | None
    acceptable_low: float | None
    acceptable_high: float | None
    state: str
    since: datetime
    least: float | None = None
    greatest: float | None = None
    readings: int = 0


@dataclass(frozen=True, slots=True)
class SoakMoved:
    """How a watch stands. Told when a channel's state changes, and otherwise at most a few times a second.

    elapsed, remaining   seconds; `remaining` None where the end is not a matter of time
    state                in words: "warming up", "watching", "power off for 10 min", "making safe"
    """

    kind: ClassVar[str] = "soak"
    step: str
    channels: tuple[ChannelView, ...]
    elapsed: float
    remaining: float | None
    state: str


@dataclass(frozen=True, slots=True)
class AlarmRaised:
    """An alarm opened, grew worse, or is told again; so nobody has acknowledged it as it is now."""

    kind: ClassVar[str] = "alarm raised"
    step: str
    key: str
    severity: str  # "warning", "stop"
    title: str
    words: str
    channel: str
    raised: datetime  # when it opened
    number: int  # times it was told so far; 0 at its opening
    count: int = 1  # times it was raised since it opened
    loud: bool = False  # what should have made the bench safe has failed
    active: bool = True  # False: the trouble has gone by itself


@dataclass(frozen=True, slots=True)
class AlarmCleared:
    """The trouble has gone by itself; `acknowledged` False: the alarm stays open until it is acknowledged."""

    kind: ClassVar[str] = "alarm cleared"
    step: str
    key: str
    title: str
    acknowledged: bool


@dataclass(frozen=True, slots=True)
class AlarmAcknowledged:
    """Somebody at the bench has acknowledged it; it is not told again."""

    kind: ClassVar[str] = "alarm acknowledged"
    step: str
    key: str
    title: str
    by: str
    active: bool  # the trouble is still there


@dataclass(frozen=True, slots=True)
class JobEnded:
    kind: ClassVar[str] = "job ended"
    job: int
    outcome: str
    exit_code: int


Notice = (
    JobStarted
    | StepStarted
    | ReadingTaken
    | TrimMoved
    | TurnAdvised
    | HoldPointReached
    | HoldPointAnswered
    | HoldPointLapsed
    | MadeSafe
    | LinkDown
    | LinkUp
    | StepEnded
    | Said
    | SoakMoved
    | AlarmRaised
    | AlarmCleared
    | AlarmAcknowledged
    | JobEnded
)
