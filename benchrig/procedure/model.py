"""A procedure as plain frozen data: what is done to a unit, in which order, within which limits, and what is dangerous.

Rules kept here:
- One class for each kind of step, all in the union `Step`; what varies from unit to unit is data, never code.
- Every value is in a base unit (volts, seconds, metres, ohms): "9.40 kV" in the file is 9400.0 here.
- A `Limits` says which values are right; a `Source` says where the value comes from; a `Hazard` says what can hurt.
- Nothing here reads a file, opens an instrument or decides anything.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import ClassVar

from .points import means
from .quantities import MEASUREMENT_UNIT as MEASUREMENT_UNIT
from .quantities import Limits as Limits
from .quantities import Measurement as Measurement
from .quantities import MeterSource as MeterSource
from .quantities import Operation as Operation
from .quantities import ReadingClass as ReadingClass
from .quantities import ScopeSource as ScopeSource
from .quantities import Source as Source
from .quantities import TypedSource as TypedSource
from .quantities import only_ceiling as only_ceiling


@dataclass(frozen=True, slots=True)
class Trimmer:
    """Something that a hand turns. `travel` is in degrees: 270 for a single-turn trimmer, 7200 for a 20-turn one."""

    name: str
    travel: float = 270.0
    mark: bool = True  # ask for a mark of the old position before it is touched


@dataclass(frozen=True, slots=True)
class Hazard:
    """What can hurt, what must be in place, and how it is made safe again.

    expected        volts at the test point
    limit           volts below which hands may go back in
    in_place        confirmed one by one, in this order
    make_safe       what the person does: power off, discharge
    valid           seconds for which one acknowledgement lasts
    points          further places where this voltage is
    ceiling_factor  a reading above this many times `expected` stops the job, whatever ceiling a step gives
    """

    name: str
    title: str
    test_point: str
    expected: float
    cautions: tuple[str, ...]
    in_place: tuple[str, ...]
    make_safe: tuple[str, ...]
    limit: float = 42.4
    valid: float = 900.0
    points: tuple[str, ...] = ()
    ceiling_factor: float = 1.25

    @property
    def highest(self) -> float:
        """Volts above which what is read was never acknowledged."""
        return self.ceiling_factor * abs(self.expected)

    def owns(self, point: str) -> bool:
        """True if `point` is the test point or another place of this voltage, or may be taken for one."""
        return any(means(point, own) for own in (self.test_point, *self.points))

    def is_test_point(self, point: str) -> bool:
        """True if `point` is the one that the hold point names and looks at."""
        return means(point, self.test_point)


@dataclass(frozen=True, slots=True, kw_only=True)
class Common:
    """What every step has.

    hazard      name of the hazard that this step exposes; None where it exposes none
    card        pattern that the unit must show
    conditions  states in which the unit must be, "unplugged" or "powered"; said to the person
    needs       steps that must have ended well before this one may begin
    disturbs    steps whose result a real change here puts in question
    cleans      trimmers that this step cleans: what they set is opened again
    hints       what to look at, by class of reading ("absent", "low", "high", "noisy", ...)
    only_if     step id -> words: this step is done only where that step was answered with those words
    """

    kind: ClassVar[str]

    id: str
    title: str
    instruction: str = ""
    hazard: str | None = None
    card: str | None = None
    conditions: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    disturbs: tuple[str, ...] = ()
    cleans: tuple[str, ...] = ()
    hints: Mapping[ReadingClass, str] = field(default_factory=dict)
    only_if: Mapping[str, str] = field(default_factory=dict)
    safety: bool = False  # a failure here ends everything that would power the unit further
    as_found: bool = True  # False: read only in its turn, such as a value that is wanted after the work
    line: int = 0  # in the file, for messages


@dataclass(frozen=True, slots=True, kw_only=True)
class Confirm(Common):
    """The person does something and says so."""

    kind: ClassVar[str] = "confirm"


@dataclass(frozen=True, slots=True, kw_only=True)
class Observe(Common):
    """The person says which of the choices is seen. `good` are those that are right."""

    kind: ClassVar[str] = "observe"
    choices: tuple[str, ...]
    good: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Enter(Common):
    """The person types a quantity."""

    kind: ClassVar[str] = "enter"
    source: TypedSource
    limits: Limits


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure(Common):
    """A value is read and judged; nothing is turned."""

    kind: ClassVar[str] = "measure"
    source: MeterSource | ScopeSource
    limits: Limits
    settle: float = 0.0
    readings: int = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Derive(Common):
    """A value is made from the results of earlier steps and judged."""

    kind: ClassVar[str] = "derive"
    operation: Operation
    of: tuple[str, ...]
    limits: Limits


@dataclass(frozen=True, slots=True, kw_only=True)
class Trim(Common):
    """A trimmer is turned until the value is inside its window.

    span     value change over the whole travel, where known
    counted  turned by stated parts of a turn, for a reading too slow to follow; None: as the reading's pace asks
    """

    kind: ClassVar[str] = "trim"
    source: Source
    limits: Limits
    target: float
    trimmer: Trimmer
    hold: float = 1.5
    settle: float = 0.3
    span: float | None = None
    counted: bool | None = None


@dataclass(frozen=True, slots=True)
class Axis:
    """One quantity of a coupled trim and the trimmer that is meant for it; `span` as for `Trim`."""

    source: Source
    limits: Limits
    target: float
    trimmer: Trimmer
    span: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Coupled(Common):
    """Several trimmers that move each other's values, set together; `counted` as for `Trim`."""

    kind: ClassVar[str] = "coupled"
    axes: tuple[Axis, ...]
    hold: float = 1.5
    settle: float = 0.3
    rounds: int = 6
    counted: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Least(Common):
    """A trimmer is turned to where the value is least; the window only judges what was found."""

    kind: ClassVar[str] = "least"
    source: Source
    limits: Limits
    trimmer: Trimmer
    hold: float = 1.5
    settle: float = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class WiperCheck(Common):
    """A trimmer is turned to and fro to see whether its wiper jumps; what sets it must come after.

    reach  how far the value may go to each side of where it stands
    span   value change over the whole travel, where known
    """

    kind: ClassVar[str] = "wiper"
    source: MeterSource | ScopeSource
    trimmer: Trimmer
    reach: float
    settle: float = 0.3
    ceiling: float | None = None
    span: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Capture(Common):
    """A waveform is kept in the record."""

    kind: ClassVar[str] = "capture"
    source: ScopeSource


@dataclass(frozen=True, slots=True, kw_only=True)
class Wait(Common):
    """Wait a time, or until a value is stable: its drift over `over` seconds below `drift` (unit per second)."""

    kind: ClassVar[str] = "wait"
    at_most: float
    source: MeterSource | ScopeSource | None = None
    drift: float | None = None
    over: float = 60.0
    ceiling: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MakeSafe(Common):
    """Power off, discharge, and see the point of `hazard` below its limit."""

    kind: ClassVar[str] = "make-safe"
    source: MeterSource | None = None


@dataclass(frozen=True, slots=True)
class SoakChannel:
    """One value watched during a soak, `interval` seconds apart.

    The preferred window warns, the acceptable one stops the soak, and so does the ceiling.

    away   seconds for which it may be without a usable reading before somebody is called
    drift  unit per second that it may change by; None: any
    over   seconds over which that is judged
    """

    name: str
    source: MeterSource | ScopeSource
    limits: Limits
    interval: float = 1.0
    away: float = 60.0
    drift: float | None = None
    over: float = 1800.0


@dataclass(frozen=True, slots=True)
class Catch:
    """A scope armed on a point, so that a dip shorter than a reading is caught. Level in volts at the tip.

    falling   the trigger's slope
    duration  seconds of the record that is kept, a tenth of it before the trigger
    """

    name: str
    source: ScopeSource
    level: float
    falling: bool = True
    duration: float = 0.2


@dataclass(frozen=True, slots=True)
class PowerCycle:
    """Seconds for which the unit is on, then off, again and again."""

    on: float
    off: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Soak(Common):
    """Values are watched for a time with nobody there.

    warm_up       seconds in which values may still move into their windows
    until_stable  ends as soon as every channel that has a drift keeps to it, at the latest after `duration`
    false_alarms  how many dips and steps may be reported by chance in the whole watch
    """

    kind: ClassVar[str] = "soak"
    duration: float
    channels: tuple[SoakChannel, ...]
    catches: tuple[Catch, ...] = ()
    warm_up: float = 0.0
    until_stable: bool = False
    false_alarms: float = 0.1
    cycle: PowerCycle | None = None


Step = (
    Confirm
    | Observe
    | Enter
    | Measure
    | Derive
    | Trim
    | Coupled
    | Least
    | WiperCheck
    | Capture
    | Wait
    | MakeSafe
    | Soak
)


@dataclass(frozen=True, slots=True)
class Procedure:
    """What is done to one kind of unit. `digest` is the SHA-256 of the file it came from."""

    id: str
    title: str
    unit: str
    steps: tuple[Step, ...]
    hazards: Mapping[str, Hazard] = field(default_factory=dict)
    rule: str = "guarded"
    serial: str = ""  # regular expression that the unit's serial number must match
    file: str = ""
    digest: str = ""

    def step(self, id: str) -> Step:
        """The step called `id`. Raises KeyError."""
        for step in self.steps:
            if step.id == id:
                return step
        raise KeyError(id)

    def owner(self, point: str) -> Hazard | None:
        """The hazard that owns a point; None for a harmless one."""
        return next((hazard for hazard in self.hazards.values() if hazard.owns(point)), None)


def sources_of(step: Step) -> tuple[Source, ...]:
    """Every place from which a step takes values, in order."""
    match step:
        case Measure() | Trim() | Least() | WiperCheck() | Capture() | Enter():
            return (step.source,)
        case Coupled():
            return tuple(axis.source for axis in step.axes)
        case Soak():
            return (*(it.source for it in step.channels), *(it.source for it in step.catches))
        case Wait() | MakeSafe():
            return () if step.source is None else (step.source,)
        case _:
            return ()


def limits_of(step: Step) -> tuple[Limits, ...]:
    """Every set of limits of a step, in the order of its sources."""
    match step:
        case Measure() | Trim() | Least() | Enter() | Derive():
            return (step.limits,)
        case Coupled():
            return tuple(axis.limits for axis in step.axes)
        case Soak():
            return tuple(channel.limits for channel in step.channels)
        case _:
            return ()


def trimmers_of(step: Step) -> tuple[Trimmer, ...]:
    """What a step lets the hands turn."""
    match step:
        case Trim() | Least() | WiperCheck():
            return (step.trimmer,)
        case Coupled():
            return tuple(axis.trimmer for axis in step.axes)
        case _:
            return ()


def powers_unit(step: Step) -> bool:
    """True if the unit runs while the step is done."""
    if "unplugged" in step.conditions:
        return False
    reads = any(not isinstance(source, TypedSource) for source in sources_of(step))
    return reads or step.hazard is not None or "powered" in step.conditions
