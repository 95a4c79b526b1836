"""Keys that several kinds of step have in common: where a value comes from, which values are right, what is turned.

Each group is the file's own table, and says what it means: `source`, `limits_in`, `turned`. Everything is strict: an
unknown key, a number where a quantity is needed, a value without its unit are mistakes. What the keys of one table
mean together is looked at by the `check_...` methods, which note every mistake with its place.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any, TypeVar

from pydantic import Field, GetCoreSchemaHandler
from pydantic_core import core_schema

from ..errors import UnitError
from ..instruments import FUNCTION_UNIT, Function
from ..tomlfile import AnyQuantity, Degrees, FileModel, KeyPath, OneOf, Seconds, wrong
from ..units import Quantity, quantity, show
from .notes import Notes
from .quantities import Axis, Limits, Measurement, MeterSource, ReadingClass, ScopeSource, Source, Trimmer, TypedSource

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
Edges = tuple[float | None, float | None]

_NOWHERE = TypedSource("1")  # stands for a source that a table should name and does not
_NO_METER = MeterSource("", Function.DC_VOLTAGE)
_METER_KEYS = ("function",)
_SCOPE_KEYS = ("channel", "measurement", "swing", "duration", "band", "quiet")


def value_of(found: Quantity | None) -> float | None:
    """The bare number of a quantity whose unit was checked."""
    return None if found is None else found.value


def check_unit(found: Quantity | None, unit: str, path: KeyPath, notes: Notes) -> None:
    """A note if `found` measures something else than `unit`."""
    if found is None or found.unit == unit:
        return
    has, wants = ("is a plain number" if it == "1" else f"is in {it}" for it in (found.unit, unit))
    cure = 'Write it like "23 %".' if unit == "1" else f"Give it in {unit}."
    notes.add(path, f"This {has}, but the quantity of this step {wants}.", cure)


def check_span(found: Quantity | None, unit: str, path: KeyPath, notes: Notes) -> None:
    """The value change over a trimmer's whole travel is in `unit`, and above zero."""
    check_unit(found, unit, path, notes)
    if found is not None and found.value <= 0.0:
        notes.add(path, "A span is how much the whole travel changes the value.", "Give it above zero.")


def check_over(table: FileModel, drift: Quantity | None, path: KeyPath, notes: Notes) -> None:
    """A note where a table says over which time a drift is judged, and no drift."""
    if drift is None and "over" in table.model_fields_set:
        notes.add((*path, "over"), "Nothing says how much it may drift in this time.", 'Add drift = "20 mV".')


def base_unit(text: str) -> str:
    """The base unit of a unit as written; "1" for one that is none."""
    try:
        return quantity(f"1 {text}").unit
    except UnitError:
        return "1"


def check_base_unit(text: str, path: KeyPath, notes: Notes) -> None:
    """A note where `text` is no unit."""
    try:
        quantity(f"1 {text}")
    except UnitError as error:
        notes.add(path, error.message, error.next_step)


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

    def named_source(self) -> Source | None:
        """The one place that the table names; None where it names none."""
        if self.entered is not None:
            return TypedSource(base_unit(self.entered), self.point, self.entered)
        if self.instrument is None:
            return None
        if self.function is not None and self.measurement is None:
            return MeterSource(self.instrument, self.function, self.point, self.probe, value_of(self.expected))
        if self.measurement is not None and self.function is None:
            return ScopeSource(
                instrument=self.instrument,
                channel=self.channel or 1,
                measurement=self.measurement,
                point=self.point,
                probe=self.probe,
                swing=value_of(self.swing),
                duration=self.duration,
                band=None if self.band is None else (self.band[0].value, self.band[1].value),
                quiet=self.quiet,
            )
        return None

    @property
    def source(self) -> Source:
        """Where the value comes from."""
        return self.named_source() or _NOWHERE

    @property
    def unit(self) -> str:
        """The base unit of the value."""
        return self.source.unit

    def check_source(self, path: KeyPath, notes: Notes, *, needed: bool = True) -> None:
        """Note whatever keeps the table from naming exactly one place."""
        if self.entered is not None:
            check_base_unit(self.entered, (*path, "entered"), notes)
            stray = ("instrument", *_METER_KEYS, *_SCOPE_KEYS, "probe", "expected")
            return self._check_stray(stray, "A typed value", path, notes)
        if self.instrument is None:
            return self._check_no_instrument(path, notes, needed=needed)
        if self.function is not None and self.measurement is None:
            self._check_stray(_SCOPE_KEYS, "A meter's function", path, notes)
            return check_unit(self.expected, FUNCTION_UNIT[self.function], (*path, "expected"), notes)
        if self.measurement is not None and self.function is None:
            return self._check_scope(self.measurement, path, notes)
        return notes.add(
            (*path, "instrument"),
            "It must be said what is read, in one way.",
            "Add either `function` (a meter) or `channel` and `measurement` (a scope).",
        )

    def _check_no_instrument(self, path: KeyPath, notes: Notes, *, needed: bool) -> None:
        stray = [key for key in ("function", "channel", "measurement", "probe") if key in self.model_fields_set]
        if needed or stray:
            notes.add((*path, *stray[:1]), "No instrument is named.", 'Add instrument = "...", or entered = "mm".')

    def _check_stray(self, keys: tuple[str, ...], what: str, path: KeyPath, notes: Notes) -> None:
        for key in keys:
            if key in self.model_fields_set:
                notes.add((*path, key), f"{what} has no `{key}`.", "Take the line out.")

    def _check_scope(self, measurement: Measurement, path: KeyPath, notes: Notes) -> None:
        self._check_stray(("expected",), "A scope's measurement", path, notes)
        if self.channel is None:
            notes.add((*path, "measurement"), "No scope channel is given.", "Add channel = 1.")
        if (self.band is None) == (measurement is Measurement.HUM):
            notes.add((*path, "measurement"), "A hum, and only a hum, has a band.", 'band = ["90 Hz", "130 Hz"]')
        check_unit(self.swing, "V", (*path, "swing"), notes)
        for index, edge in enumerate(self.band or ()):
            check_unit(edge, "Hz", (*path, "band", index), notes)
        if self.band is not None and not 0.0 <= self.band[0].value < self.band[1].value:
            notes.add((*path, "band"), "The band is empty or upside down.", "Give the low edge first.")


class Read(Sourced):
    """Where a value comes from that an instrument must read."""

    def read_source(self) -> MeterSource | ScopeSource | None:
        """The instrument that the table names; None where it names none."""
        found = self.named_source()
        return None if isinstance(found, TypedSource) else found

    @property
    def source(self) -> MeterSource | ScopeSource:
        """Where the value comes from."""
        return self.read_source() or _NO_METER

    def check_source(self, path: KeyPath, notes: Notes, *, needed: bool = True) -> None:
        """Note whatever keeps the table from naming exactly one instrument's reading."""
        super().check_source(path, notes, needed=needed)
        if self.entered is not None:
            notes.add(
                (*path, "entered"), "An instrument must read this.", 'Use kind = "enter" for what a person types.'
            )


class Limited(FileModel):
    """Which values are right: the window wanted, the wider one that still conforms, and what stops the job."""

    window: Pair = Field(examples=['["11.4 V", "12.6 V"]'])
    acceptable: Pair | None = None
    ceiling: AnyQuantity | None = None

    @property
    def unit(self) -> str:
        """The base unit of the value, which the table's source says, or its kind."""
        raise NotImplementedError

    @property
    def limits(self) -> Limits:
        """The same as numbers."""
        window = _edges(self.window)
        wide = window if self.acceptable is None else _edges(self.acceptable)
        return Limits(self.unit, *window, *wide, value_of(self.ceiling))

    def check_limits(self, path: KeyPath, notes: Notes) -> None:
        """Window, acceptable window and ceiling are in the value's unit and nested in each other."""
        unit, limits = self.unit, self.limits
        _check_pair(self.window, unit, (*path, "window"), notes)
        if self.acceptable is not None:
            _check_pair(self.acceptable, unit, (*path, "acceptable"), notes)
        check_unit(self.ceiling, unit, (*path, "ceiling"), notes)
        _check_nested(limits.window, limits.acceptable, (*path, "acceptable"), notes)
        largest = max((abs(edge) for edge in limits.acceptable if edge is not None), default=0.0)
        if limits.ceiling is not None and limits.ceiling <= largest:
            words = f"The ceiling is not above the acceptable window ({show(largest, unit)})."
            notes.add((*path, "ceiling"), words, "Raise it.")


def _edges(pair: list[Quantity | None]) -> Edges:
    low, high = pair
    return value_of(low), value_of(high)


def _check_pair(pair: list[Quantity | None], unit: str, path: KeyPath, notes: Notes) -> None:
    for index, edge in enumerate(pair):
        check_unit(edge, unit, (*path, index), notes)
    low, high = _edges(pair)
    if low is None and high is None:
        notes.add(path, "A window that is open on both sides says nothing.", "Give at least one edge.")
    if low is not None and high is not None and low > high:
        notes.add(path, "The low edge is above the high edge.", "Swap them.")


def _check_nested(inner: Edges, outer: Edges, path: KeyPath, notes: Notes) -> None:
    low_out = outer[0] is not None and (inner[0] is None or inner[0] < outer[0])
    high_out = outer[1] is not None and (inner[1] is None or inner[1] > outer[1])
    if low_out or high_out:
        notes.add(path, "The preferred window reaches beyond the acceptable one.", "Widen this, or narrow `window`.")


def check_target(found: Quantity, limits: Limits, path: KeyPath, notes: Notes) -> None:
    """A target is in the unit of its window, inside it, and the window is one that a hand can meet."""
    check_unit(found, limits.unit, path, notes)
    if found.unit == limits.unit and not limits.holds(found.value):
        notes.add(path, "The target is outside the window.", "Correct the target or the window.")
    if limits.low is None or limits.high is None:
        notes.add(path, "A target needs a window that is closed on both sides.", "Give both edges.")
    elif limits.low == limits.high and limits.unit != "count":
        notes.add(path, "The window has no width: nothing is ever set so well.", "Give it what the unit bears.")


class TurnedKeys(FileModel):
    """What the hand turns."""

    trimmer: Words
    travel: Annotated[Degrees, Field(gt=0.0)] = 270.0
    mark: bool = True

    @property
    def turned(self) -> Trimmer:
        """The trimmer with its travel."""
        return Trimmer(self.trimmer, self.travel, self.mark)


class Aimed(Sourced, Limited, TurnedKeys):
    """One quantity and the trimmer that is turned until it is at its target.

    span  value change over the whole travel, where known
    """

    target: AnyQuantity
    span: AnyQuantity | None = None

    @property
    def aim(self) -> Axis:
        """What is turned to which value."""
        return Axis(self.source, self.limits, self.target.value, self.turned, value_of(self.span))

    def check_aim(self, path: KeyPath, notes: Notes) -> None:
        """Note what the keys of the table cannot mean together."""
        self.check_source(path, notes)
        self.check_limits(path, notes)
        check_target(self.target, self.limits, (*path, "target"), notes)
        check_span(self.span, self.unit, (*path, "span"), notes)


Lower = Callable[[Source, float | None], float | None]  # a source, the ceiling written for it -> the one that counts
Table = TypeVar("Table", bound=Sourced)


def with_ceiling(table: Table, lower: Lower) -> Table:
    """The table with the ceiling that `lower` makes of its own."""
    source, written = table.named_source(), value_of(getattr(table, "ceiling", None))
    made = written if source is None else lower(source, written)
    if source is None or made is None or made == written:
        return table
    return table.model_copy(update={"ceiling": Quantity(made, source.unit)})
