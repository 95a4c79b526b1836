"""From the file's tables to the model: units against quantities, keys against each other within one table.

Every mistake is noted with its place and the building goes on, so that a person sees all of them at once. What is
built after a mistake is never used: the reader raises.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ..errors import Mistake, UnitError
from ..instruments import Function
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
        notes.add(path, f"This is in {found.unit}, but the quantity of this step is in {unit}.", f"Give it in {unit}.")
    return found.value


def _maybe(found: Quantity | None, unit: str, path: KeyPath, notes: Notes) -> float | None:
    return None if found is None else value_in(found, unit, path, notes)


def limits(table: f.Limited, unit: str, path: KeyPath, notes: Notes) -> m.Limits:
    """Window, acceptable window and ceiling, nested in each other."""
    low, high = _pair(table.window, unit, (*path, "window"), notes)
    wide = (low, high) if table.acceptable is None else _pair(table.acceptable, unit, (*path, "acceptable"), notes)
    ceiling = _maybe(table.ceiling, unit, (*path, "ceiling"), notes)
    _check_nested((low, high), wide, (*path, "acceptable"), notes)
    _check_ceiling(ceiling, wide, unit, (*path, "ceiling"), notes)
    return m.Limits(unit, low, high, *wide, ceiling)


def _pair(pair: list[Quantity | None], unit: str, path: KeyPath, notes: Notes) -> tuple[float | None, float | None]:
    low, high = (_maybe(edge, unit, (*path, index), notes) for index, edge in enumerate(pair))
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
    _stray(table, ("instrument", *_METER_KEYS, *_SCOPE_KEYS, "probe"), "A typed value", path, notes)
    return m.TypedSource(unit_of(unit, (*path, "entered"), notes), table.point, unit)


def _meter(table: f.Sourced, function: Function, path: KeyPath, notes: Notes) -> m.MeterSource:
    _stray(table, _SCOPE_KEYS, "A meter's function", path, notes)
    made = m.MeterSource(table.instrument or "", function, table.point, table.probe)
    expected = _maybe(table.expected, made.unit, (*path, "expected"), notes)
    return m.MeterSource(made.instrument, function, table.point, table.probe, expected)


def _scope(table: f.Sourced, measurement: m.Measurement, path: KeyPath, notes: Notes) -> m.ScopeSource:
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
        swing=_maybe(table.swing, "V", (*path, "swing"), notes),
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


def trimmer(table: f.Turned) -> m.Trimmer:
    return m.Trimmer(table.trimmer, table.travel, table.mark)


def hazard(name: str, table: f.HazardTable) -> m.Hazard:
    """A hazard as the hold point needs it."""
    return m.Hazard(
        name=name,
        title=table.title,
        test_point=table.test_point,
        expected=table.expected,
        cautions=tuple(table.cautions),
        in_place=tuple(table.in_place),
        make_safe=tuple(table.make_safe),
        limit=table.limit,
        valid=table.valid,
    )


def _common(table: f.Base, path: KeyPath, notes: Notes) -> dict[str, Any]:
    return {
        "id": table.id,
        "title": table.title,
        "instruction": table.instruction,
        "hazard": table.hazard,
        "card": table.card,
        "conditions": tuple(table.conditions),
        "needs": tuple(table.needs),
        "disturbs": tuple(table.disturbs),
        "cleans": tuple(table.cleans),
        "hints": dict(table.hints),
        "only_if": dict(table.only_if),
        "safety": table.safety,
        "as_found": table.as_found,
        "line": notes.line(path),
    }


_NOWHERE = m.TypedSource("1")


def step(table: Any, path: KeyPath, notes: Notes) -> m.Step:
    """One step; `table` is any of the step tables."""
    common = _common(table, path, notes)
    match table:
        case f.ConfirmTable():
            return m.Confirm(**common)
        case f.ObserveTable():
            return _observe(table, common, path, notes)
        case f.EnterTable():
            unit = unit_of(table.entered, (*path, "entered"), notes)
            typed = m.TypedSource(unit, table.point, table.entered)
            return m.Enter(**common, source=typed, limits=limits(table, unit, path, notes))
        case f.DeriveTable():
            return _derive(table, common, path, notes)
        case f.CoupledTable():
            axes = tuple(_axis(axis, (*path, "axis", i), notes) for i, axis in enumerate(table.axis))
            return m.Coupled(
                **common, axes=axes, hold=table.hold, settle=table.settle, rounds=table.rounds, counted=table.counted
            )
        case f.SoakTable():
            return _soak(table, common, path, notes)
        case _:
            return _sourced_step(table, common, path, notes)


def _sourced_step(table: Any, common: Mapping[str, Any], path: KeyPath, notes: Notes) -> m.Step:
    needed = not isinstance(table, f.WaitTable | f.MakeSafeTable)
    found = source(table, path, notes, needed=needed)
    match table:
        case f.MeasureTable():
            read = _read(found, path, notes) or m.MeterSource("", Function.DC_VOLTAGE)
            within = limits(table, read.unit, path, notes)
            return m.Measure(**common, source=read, limits=within, settle=table.settle, readings=table.readings)
        case f.TrimTable():
            return _trim(table, found or _NOWHERE, common, path, notes)
        case f.LeastTable():
            any_source = found or _NOWHERE
            return m.Least(
                **common, source=any_source, limits=limits(table, any_source.unit, path, notes),
                trimmer=trimmer(table), hold=table.hold, settle=table.settle,
            )  # fmt: skip
        case f.WiperTable():
            return _wiper(table, found, common, path, notes)
        case f.CaptureTable():
            return m.Capture(**common, source=_scope_only(found, path, notes))
        case f.WaitTable():
            return _wait(table, found, common, path, notes)
        case _:
            return m.MakeSafe(**common, source=_meter_only(found, path, notes))


def _observe(table: f.ObserveTable, common: Mapping[str, Any], path: KeyPath, notes: Notes) -> m.Observe:
    for index, words in enumerate(table.good):
        if words not in table.choices:
            notes.add((*path, "good", index), f"{words!r} is not one of the choices.", "Copy it from `choices`.")
    return m.Observe(**common, choices=tuple(table.choices), good=tuple(table.good))


def _derive(table: f.DeriveTable, common: Mapping[str, Any], path: KeyPath, notes: Notes) -> m.Derive:
    if table.operation is not m.Operation.MEAN and len(table.of) != 2:
        notes.add((*path, "of"), f"{table.operation} is made of two results.", "Name two steps.")
    ratios = (m.Operation.RATIO, m.Operation.PERCENT_MISMATCH)
    edges = (edge.unit for edge in table.window if edge is not None)
    unit = "1" if table.operation in ratios else next(edges, "1")
    within = limits(table, unit, path, notes)
    return m.Derive(**common, operation=table.operation, of=tuple(table.of), limits=within)


def _trim(table: f.TrimTable, found: m.Source, common: Mapping[str, Any], path: KeyPath, notes: Notes) -> m.Trim:
    within = limits(table, found.unit, path, notes)
    return m.Trim(
        **common,
        source=found,
        limits=within,
        target=_target(table.target, within, (*path, "target"), notes),
        trimmer=trimmer(table),
        hold=table.hold,
        settle=table.settle,
        span=_maybe(table.span, found.unit, (*path, "span"), notes),
        counted=table.counted,
    )


def _target(found: Quantity, within: m.Limits, path: KeyPath, notes: Notes) -> float:
    target = value_in(found, within.unit, path, notes)
    if found.unit == within.unit and not within.holds(target):
        notes.add(path, "The target is outside the window.", "Correct the target or the window.")
    if within.low is None or within.high is None:
        notes.add(path, "A target needs a window that is closed on both sides.", "Give both edges.")
    return target


def _axis(table: f.AxisTable, path: KeyPath, notes: Notes) -> m.Axis:
    found = source(table, path, notes) or _NOWHERE
    within = limits(table, found.unit, path, notes)
    target = _target(table.target, within, (*path, "target"), notes)
    return m.Axis(found, within, target, trimmer(table), _maybe(table.span, found.unit, (*path, "span"), notes))


def _soak(table: f.SoakTable, common: Mapping[str, Any], path: KeyPath, notes: Notes) -> m.Soak:
    if table.until == "stable" and not any(channel.drift for channel in table.channels):
        notes.add((*path, "until"), "No channel says what stable is.", 'Give a channel drift = "20 mV".')
    return m.Soak(
        **common,
        duration=table.lasts,
        channels=tuple(_channel(it, (*path, "channels", i), notes) for i, it in enumerate(table.channels)),
        catches=tuple(_catch(it) for it in table.catches),
        warm_up=table.warm_up,
        until_stable=table.until == "stable",
        false_alarms=table.false_alarms,
        cycle=None if table.cycle is None else m.PowerCycle(table.cycle.on, table.cycle.off),
    )


def _channel(table: f.ChannelTable, path: KeyPath, notes: Notes) -> m.SoakChannel:
    read = _read(source(table, path, notes), path, notes) or m.MeterSource("", Function.DC_VOLTAGE)
    change = _maybe(table.drift, read.unit, (*path, "drift"), notes)
    return m.SoakChannel(
        name=table.name,
        source=read,
        limits=limits(table, read.unit, path, notes),
        interval=table.interval,
        away=table.away,
        drift=None if change is None else change / table.over,
        over=table.over,
    )


def _catch(table: f.CatchTable) -> m.Catch:
    watched = m.ScopeSource(
        table.instrument, table.channel, m.Measurement.MEAN, table.point, table.probe, table.swing, table.duration
    )
    return m.Catch(table.name, watched, table.level, table.slope == "falling", table.duration)


def _wait(table: f.WaitTable, found: m.Source | None, common: Mapping[str, Any], path: KeyPath, notes: Notes) -> m.Wait:
    read = _read(found, path, notes)
    if (read is None) != (table.drift is None):
        notes.add(path, "Waiting until stable needs an instrument and a drift.", 'Add drift = "20 V" and a source.')
    unit = read.unit if read else "1"
    change = _maybe(table.drift, unit, (*path, "drift"), notes)
    return m.Wait(
        **common,
        at_most=table.at_most,
        source=read,
        drift=None if change is None else change / max(table.over, 1e-9),
        over=table.over,
        ceiling=_maybe(table.ceiling, unit, (*path, "ceiling"), notes),
    )


def _wiper(
    table: f.WiperTable, found: m.Source | None, common: Mapping[str, Any], path: KeyPath, notes: Notes
) -> m.WiperCheck:
    read = _read(found, path, notes) or m.MeterSource("", Function.DC_VOLTAGE)
    reach = value_in(table.reach, read.unit, (*path, "reach"), notes)
    if table.quiet:
        words = "A value that counts only in quiet phases cannot be followed to and fro."
        notes.add((*path, "quiet"), words, "Sweep at a point whose value stands.")
    if reach <= 0.0:
        notes.add((*path, "reach"), "A sweep goes to both sides.", "Give how far, above zero.")
    return m.WiperCheck(
        **common,
        source=read,
        trimmer=trimmer(table),
        reach=reach,
        settle=table.settle,
        ceiling=_maybe(table.ceiling, read.unit, (*path, "ceiling"), notes),
        span=_maybe(table.span, read.unit, (*path, "span"), notes),
    )


def _read(found: m.Source | None, path: KeyPath, notes: Notes) -> m.MeterSource | m.ScopeSource | None:
    if isinstance(found, m.TypedSource):
        notes.add((*path, "entered"), "An instrument must read this.", 'Use kind = "enter" for what a person types.')
        return None
    return found


def _scope_only(found: m.Source | None, path: KeyPath, notes: Notes) -> m.ScopeSource:
    if isinstance(found, m.ScopeSource):
        return found
    if found is not None:
        notes.add(path, "Only a scope captures a waveform.", "Give a scope's `instrument`, `channel`, `measurement`.")
    return m.ScopeSource("", 1, m.Measurement.MEAN)


def _meter_only(found: m.Source | None, path: KeyPath, notes: Notes) -> m.MeterSource | None:
    if found is None or isinstance(found, m.MeterSource):
        return found
    notes.add(path, "Only a meter shows that a point is safe.", "Give a meter's `instrument` and `function`.")
    return None
