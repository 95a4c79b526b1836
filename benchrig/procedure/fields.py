"""The procedure file's own shape: which keys each kind of step may carry, and how a value is written.

Pydantic stays in this module and the reader. Everything is strict: an unknown key, a number where a quantity is
needed, a value without its unit are mistakes. Meaning across keys is checked in `benchrig.procedure.checks`.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, GetCoreSchemaHandler
from pydantic_core import core_schema

from ..errors import UnitError
from ..instruments import Function
from ..tomlfile import AnyQuantity, Degrees, FileModel, OneOf, Seconds, Volts, wrong
from ..units import Quantity, quantity
from .model import Measurement, Operation, ReadingClass

OPEN = "open"


class AsEdge:
    """Field metadata: a quantity, or the word "open" for a side without a limit, which is None in the model."""

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> core_schema.CoreSchema:
        return core_schema.no_info_plain_validator_function(self._value)

    @staticmethod
    def _value(found: object) -> Quantity | None:
        if found == OPEN:
            return None
        if not isinstance(found, str):
            raise wrong(f"{found!r} has no unit.", 'Write it in quotes with its unit, like "9.40 kV", or "open".')
        try:
            return quantity(found)
        except UnitError as error:
            raise wrong(error.message, error.next_step) from None


Id = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]*$")]
Words = Annotated[str, Field(min_length=1)]
Edge = Annotated[Quantity | None, AsEdge()]
Pair = Annotated[list[Edge], Field(min_length=2, max_length=2)]
Band = Annotated[list[AnyQuantity], Field(min_length=2, max_length=2)]
AClass = Annotated[ReadingClass, OneOf(ReadingClass)]
Duration = Annotated[Seconds, Field(ge=0.0)]


class Head(FileModel):
    id: Id
    title: Words
    unit: Words
    serial: str = ""
    rule: Literal["simple", "guarded"] = "guarded"


class HazardTable(FileModel):
    title: Words
    test_point: Words
    expected: Volts
    cautions: Annotated[list[Words], Field(min_length=1)]
    in_place: Annotated[list[Words], Field(min_length=1)]
    make_safe: Annotated[list[Words], Field(min_length=1)]
    limit: Annotated[Volts, Field(gt=0.0, le=60.0)] = 42.4
    valid: Annotated[Seconds, Field(gt=0.0, le=3600.0)] = 900.0
    points: list[Words] = Field(default_factory=list)
    ceiling_factor: Annotated[float, Field(gt=1.0, le=2.0)] = 1.25


class Sourced(FileModel):
    """Where a value comes from: an instrument's function, a scope channel's measurement, or a person's typing."""

    instrument: Words | None = None
    function: Annotated[Function | None, OneOf(Function)] = None
    channel: Annotated[int, Field(ge=1, le=16)] | None = None
    measurement: Annotated[Measurement | None, OneOf(Measurement)] = None
    entered: Words | None = None  # the unit in which a person types it
    point: str = ""
    probe: Words | None = None
    expected: AnyQuantity | None = None
    swing: AnyQuantity | None = None
    duration: Duration | None = None
    band: Band | None = None
    quiet: bool = False


class Limited(FileModel):
    window: Pair = Field(examples=['["11.4 V", "12.6 V"]'])
    acceptable: Pair | None = None
    ceiling: AnyQuantity | None = None


class Turned(FileModel):
    trimmer: Words
    travel: Annotated[Degrees, Field(gt=0.0)] = 270.0
    mark: bool = True


class Base(FileModel):
    id: Id
    title: Words
    instruction: str = ""
    hazard: Words | None = None
    card: Words | None = None
    conditions: list[Literal["powered", "unplugged"]] = Field(default_factory=list)
    needs: list[Id] = Field(default_factory=list)
    disturbs: list[Id] = Field(default_factory=list)
    cleans: list[Words] = Field(default_factory=list)
    hints: dict[AClass, Words] = Field(default_factory=dict)
    only_if: dict[Id, Words] = Field(default_factory=dict)
    safety: bool = False
    as_found: bool = True


class ConfirmTable(Base):
    kind: Literal["confirm"]


class ObserveTable(Base):
    kind: Literal["observe"]
    choices: Annotated[list[Words], Field(min_length=2)]
    good: Annotated[list[Words], Field(min_length=1)]


class EnterTable(Base, Limited):
    kind: Literal["enter"]
    entered: Words
    point: str = ""


class MeasureTable(Base, Sourced, Limited):
    kind: Literal["measure"]
    settle: Duration = 0.0
    readings: Annotated[int, Field(ge=1, le=1000)] = 5


class DeriveTable(Base, Limited):
    kind: Literal["derive"]
    operation: Annotated[Operation, OneOf(Operation)]
    of: Annotated[list[Id], Field(min_length=2)]


class TrimTable(Base, Sourced, Limited, Turned):
    kind: Literal["trim"]
    target: AnyQuantity
    hold: Duration = 1.5
    settle: Duration = 0.3
    span: AnyQuantity | None = None
    counted: bool | None = None


class AxisTable(Sourced, Limited, Turned):
    target: AnyQuantity
    span: AnyQuantity | None = None


class CoupledTable(Base):
    kind: Literal["coupled"]
    axis: Annotated[list[AxisTable], Field(min_length=2, max_length=4)]
    hold: Duration = 1.5
    settle: Duration = 0.3
    rounds: Annotated[int, Field(ge=1, le=50)] = 6
    counted: bool | None = None


class LeastTable(Base, Sourced, Limited, Turned):
    kind: Literal["least"]
    hold: Duration = 1.5
    settle: Duration = 0.3


class WiperTable(Base, Sourced, Turned):
    kind: Literal["wiper"]
    reach: AnyQuantity
    settle: Duration = 0.3
    ceiling: AnyQuantity | None = None
    span: AnyQuantity | None = None


class CaptureTable(Base, Sourced):
    kind: Literal["capture"]


class WaitTable(Base, Sourced):
    kind: Literal["wait"]
    at_most: Duration
    drift: AnyQuantity | None = None  # change over `over`
    over: Duration = 60.0
    ceiling: AnyQuantity | None = None


class MakeSafeTable(Base, Sourced):
    kind: Literal["make-safe"]


class ChannelTable(Sourced, Limited):
    name: Words
    interval: Annotated[Seconds, Field(gt=0.0)] = 1.0
    away: Annotated[Seconds, Field(gt=0.0)] = 60.0
    drift: AnyQuantity | None = None  # change over `over`
    over: Annotated[Seconds, Field(gt=0.0)] = 1800.0


class CatchTable(FileModel):
    name: Words
    instrument: Words
    channel: Annotated[int, Field(ge=1, le=16)] = 1
    point: str = ""
    probe: Words | None = None
    level: Volts
    slope: Literal["falling", "rising"] = "falling"
    swing: Volts | None = None
    duration: Annotated[Seconds, Field(gt=0.0)] = 0.2


class CycleTable(FileModel):
    on: Annotated[Seconds, Field(gt=0.0)]
    off: Annotated[Seconds, Field(gt=0.0)]


class SoakTable(Base):
    kind: Literal["soak"]
    lasts: Annotated[Seconds, Field(gt=0.0)]
    warm_up: Duration = 0.0
    until: Literal["time", "stable"] = "time"
    false_alarms: Annotated[float, Field(gt=0.0, le=100.0)] = 0.1
    cycle: CycleTable | None = None
    channels: Annotated[list[ChannelTable], Field(min_length=1)]
    catches: list[CatchTable] = Field(default_factory=list)


StepTable = Annotated[
    ConfirmTable
    | ObserveTable
    | EnterTable
    | MeasureTable
    | DeriveTable
    | TrimTable
    | CoupledTable
    | LeastTable
    | WiperTable
    | CaptureTable
    | WaitTable
    | MakeSafeTable
    | SoakTable,
    Field(discriminator="kind"),
]


class File(FileModel):
    """The whole file."""

    procedure: Head
    hazard: dict[Id, HazardTable] = Field(default_factory=dict)
    step: Annotated[list[StepTable], Field(min_length=1)]
