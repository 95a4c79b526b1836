"""Where a step takes its value from and which values are right: the keys of one table against each other.

Every mistake is noted with its place and the building goes on, so that a person sees all of them at once. What is
built after a mistake is never used: the reader raises.
"""

from __future__ import annotations

from ..errors import Mistake, UnitError
from ..instruments import FUNCTION_UNIT, Function
from ..tomlfile import KeyPath, Lines
from ..units import Quantity, quantity, show
from . import fields as f
from . import model as m


class Notes:
    """Mistakes found so far in one file."""

    def __init__(self, lines: Lines) -> None:
        self._lines = lines
        self.mistakes: list[Mistake] = []

    def add(self, path: KeyPath, problem: str, cure: str = "") -> None:
        self.mistakes.append(self._lines.mistake(path, problem, cure))

    def line(self, path: KeyPath) -> int:
        return self._lines.line(*path)


def value_in(found: Quantity, unit: str, path: KeyPath, notes: Notes) -> float:
    """The value in `unit`; a note if it measures something else."""
    if found.unit != unit:
        has, wants = ("is a plain number" if it == "1" else f"is in {it}" for it in (found.unit, unit))
        cure = 'Write it like "23 %".' if unit == "1" else f"Give it in {unit}."
        notes.add(path, f"This {has}, but the quantity of this step {wants}.", cure)
    return found.value


def maybe_in(found: Quantity | None, unit: str, path: KeyPath, notes: Notes) -> float | None:
    """The same where there may be none."""
    return None if found is None else value_in(found, unit, path, notes)


def span_in(found: Quantity | None, unit: str, path: KeyPath, notes: Notes) -> float | None:
    """The value change over a trimmer's whole travel, in `unit`."""
    value = maybe_in(found, unit, path, notes)
    if value is not None and value <= 0.0:
        notes.add(path, "A span is how much the whole travel changes the value.", "Give it above zero.")
    return value


def limits(table: f.Limited, unit: str, path: KeyPath, notes: Notes) -> m.Limits:
    """Window, acceptable window and ceiling, nested in each other."""
    low, high = _pair(table.window, unit, (*path, "window"), notes)
    wide = (low, high) if table.acceptable is None else _pair(table.acceptable, unit, (*path, "acceptable"), notes)
    ceiling = maybe_in(table.ceiling, unit, (*path, "ceiling"), notes)
    _check_nested((low, high), wide, (*path, "acceptable"), notes)
    _check_ceiling(ceiling, wide, unit, (*path, "ceiling"), notes)
    return m.Limits(unit, low, high, *wide, ceiling)


def _pair(pair: list[Quantity | None], unit: str, path: KeyPath, notes: Notes) -> tuple[float | None, float | None]:
    low, high = (maybe_in(edge, unit, (*path, index), notes) for index, edge in enumerate(pair))
    if low is None and high is None:
        notes.add(path, "A window that is open on both sides says nothing.", "Give at least one edge.")
    if low is not None and high is not None and low > high:
        notes.add(path, "The low edge is above the high edge.", "Swap them.")
    return low, high


def _check_nested(
    inner: tuple[float | None, float | None], outer: tuple[float | None, float | None], path: KeyPath, notes: Notes
) -> None:
    low_out = outer[0] is not None and (inner[0] is None or inner[0] < outer[0])
    high_out = outer[1] is not None and (inner[1] is None or inner[1] > outer[1])
    if low_out or high_out:
        notes.add(path, "The preferred window reaches beyond the acceptable one.", "Widen this, or narrow `window`.")


def _check_ceiling(
    ceiling: float | None, wide: tuple[float | None, float | None], unit: str, path: KeyPath, notes: Notes
) -> None:
    largest = max((abs(edge) for edge in wide if edge is not None), default=0.0)
    if ceiling is not None and ceiling <= largest:
        notes.add(path, f"The ceiling is not above the acceptable window ({show(largest, unit)}).", "Raise it.")


def unit_of(text: str, path: KeyPath, notes: Notes) -> str:
    """The base unit of a unit as written."""
    try:
        return quantity(f"1 {text}").unit
    except UnitError as error:
        notes.add(path, error.message, error.next_step)
        return "1"


_METER_KEYS = ("function",)
_SCOPE_KEYS = ("channel", "measurement", "swing", "duration", "band", "quiet")


def source(table: f.Sourced, path: KeyPath, notes: Notes, *, needed: bool = True) -> m.Source | None:
    """The one place from which the table takes its value; None with a note, or where none is needed."""
    given = table.model_fields_set
    if table.entered is not None:
        return _typed(table, table.entered, path, notes)
    if table.instrument is None:
        stray = [key for key in ("function", "channel", "measurement", "probe") if key in given]
        if needed or stray:
            notes.add((*path, *stray[:1]), "No instrument is named.", 'Add instrument = "...", or entered = "mm".')
        return None
    if table.function is not None and table.measurement is None:
        return _meter(table, table.function, path, notes)
    if table.measurement is not None and table.function is None:
        return _scope(table, table.measurement, path, notes)
    notes.add(
        (*path, "instrument"),
        "It must be said what is read, in one way.",
        "Add either `function` (a meter) or `channel` and `measurement` (a scope).",
    )
    return None


def _stray(table: f.Sourced, keys: tuple[str, ...], what: str, path: KeyPath, notes: Notes) -> None:
    for key in keys:
        if key in table.model_fields_set:
            notes.add((*path, key), f"{what} has no `{key}`.", "Take the line out.")


def _typed(table: f.Sourced, unit: str, path: KeyPath, notes: Notes) -> m.TypedSource:
    _stray(table, ("instrument", *_METER_KEYS, *_SCOPE_KEYS, "probe", "expected"), "A typed value", path, notes)
    return m.TypedSource(unit_of(unit, (*path, "entered"), notes), table.point, unit)


def _meter(table: f.Sourced, function: Function, path: KeyPath, notes: Notes) -> m.MeterSource:
    _stray(table, _SCOPE_KEYS, "A meter's function", path, notes)
    expected = maybe_in(table.expected, FUNCTION_UNIT[function], (*path, "expected"), notes)
    return m.MeterSource(table.instrument or "", function, table.point, table.probe, expected)


def _scope(table: f.Sourced, measurement: m.Measurement, path: KeyPath, notes: Notes) -> m.ScopeSource:
    _stray(table, ("expected",), "A scope's measurement", path, notes)
    if table.channel is None:
        notes.add((*path, "measurement"), "No scope channel is given.", "Add channel = 1.")
    if (table.band is None) == (measurement is m.Measurement.HUM):
        notes.add((*path, "measurement"), "A hum, and only a hum, has a band.", 'band = ["90 Hz", "130 Hz"]')
    return m.ScopeSource(
        instrument=table.instrument or "",
        channel=table.channel or 1,
        measurement=measurement,
        point=table.point,
        probe=table.probe,
        swing=maybe_in(table.swing, "V", (*path, "swing"), notes),
        duration=table.duration,
        band=_band(table, path, notes),
        quiet=table.quiet,
    )


def _band(table: f.Sourced, path: KeyPath, notes: Notes) -> tuple[float, float] | None:
    if table.band is None:
        return None
    low, high = (value_in(edge, "Hz", (*path, "band", i), notes) for i, edge in enumerate(table.band))
    if not 0.0 <= low < high:
        notes.add((*path, "band"), "The band is empty or upside down.", "Give the low edge first.")
    return low, high


def read_only(found: m.Source | None, path: KeyPath, notes: Notes) -> m.MeterSource | m.ScopeSource | None:
    """`found` where an instrument reads it; a note where a person types it."""
    if isinstance(found, m.TypedSource):
        notes.add((*path, "entered"), "An instrument must read this.", 'Use kind = "enter" for what a person types.')
        return None
    return found


def scope_only(found: m.Source | None, path: KeyPath, notes: Notes) -> m.ScopeSource:
    """`found` where a scope reads it; a note for anything else."""
    if isinstance(found, m.ScopeSource):
        return found
    if found is not None:
        notes.add(path, "Only a scope captures a waveform.", "Give a scope's `instrument`, `channel`, `measurement`.")
    return m.ScopeSource("", 1, m.Measurement.MEAN)


def meter_only(found: m.Source | None, path: KeyPath, notes: Notes) -> m.MeterSource | None:
    """`found` where a meter reads it, or nothing does; a note for a scope."""
    if found is None or isinstance(found, m.MeterSource):
        return found
    notes.add(path, "Only a meter shows that a point is safe.", "Give a meter's `instrument` and `function`.")
    return None
