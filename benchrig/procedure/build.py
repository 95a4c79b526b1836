"""From the file's tables to the model, one function for each kind of step. Notes mistakes as `sourcing` does."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ..instruments import Function
from ..tomlfile import KeyPath
from ..units import Quantity
from . import fields as f
from . import model as m
from .sourcing import (
    Notes,
    limits,
    maybe_in,
    meter_only,
    read_only,
    scope_only,
    source,
    span_in,
    unit_of,
    value_in,
)


def trimmer(table: f.Turned) -> m.Trimmer:
    """What the table lets the hands turn."""
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
        points=tuple(table.points),
        ceiling_factor=table.ceiling_factor,
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
            read = read_only(found, path, notes) or m.MeterSource("", Function.DC_VOLTAGE)
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
            return m.Capture(**common, source=scope_only(found, path, notes))
        case f.WaitTable():
            return _wait(table, found, common, path, notes)
        case _:
            return m.MakeSafe(**common, source=meter_only(found, path, notes))


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
        span=span_in(table.span, found.unit, (*path, "span"), notes),
        counted=table.counted,
    )


def _target(found: Quantity, within: m.Limits, path: KeyPath, notes: Notes) -> float:
    target = value_in(found, within.unit, path, notes)
    if found.unit == within.unit and not within.holds(target):
        notes.add(path, "The target is outside the window.", "Correct the target or the window.")
    if within.low is None or within.high is None:
        notes.add(path, "A target needs a window that is closed on both sides.", "Give both edges.")
    elif within.low == within.high and within.unit != "count":
        notes.add(path, "The window has no width: nothing is ever set so well.", "Give it what the unit bears.")
    return target


def _axis(table: f.AxisTable, path: KeyPath, notes: Notes) -> m.Axis:
    found = source(table, path, notes) or _NOWHERE
    within = limits(table, found.unit, path, notes)
    target = _target(table.target, within, (*path, "target"), notes)
    return m.Axis(found, within, target, trimmer(table), span_in(table.span, found.unit, (*path, "span"), notes))


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
    read = read_only(source(table, path, notes), path, notes) or m.MeterSource("", Function.DC_VOLTAGE)
    change = maybe_in(table.drift, read.unit, (*path, "drift"), notes)
    _over_what(table, path, notes)
    return m.SoakChannel(
        name=table.name,
        source=read,
        limits=limits(table, read.unit, path, notes),
        interval=table.interval,
        away=table.away,
        drift=None if change is None else change / table.over,
        over=table.over,
    )


def _over_what(table: f.ChannelTable | f.WaitTable, path: KeyPath, notes: Notes) -> None:
    if table.drift is None and "over" in table.model_fields_set:
        notes.add((*path, "over"), "Nothing says how much it may drift in this time.", 'Add drift = "20 mV".')


def _catch(table: f.CatchTable) -> m.Catch:
    watched = m.ScopeSource(
        table.instrument, table.channel, m.Measurement.MEAN, table.point, table.probe, table.swing, table.duration
    )
    return m.Catch(table.name, watched, table.level, table.slope == "falling", table.duration)


def _wait(table: f.WaitTable, found: m.Source | None, common: Mapping[str, Any], path: KeyPath, notes: Notes) -> m.Wait:
    read = read_only(found, path, notes)
    if (read is None) != (table.drift is None):
        notes.add(path, "Waiting until stable needs an instrument and a drift.", 'Add drift = "20 V" and a source.')
    _over_what(table, path, notes)
    unit = read.unit if read else "1"
    change = maybe_in(table.drift, unit, (*path, "drift"), notes)
    return m.Wait(
        **common,
        at_most=table.at_most,
        source=read,
        drift=None if change is None else change / max(table.over, 1e-9),
        over=table.over,
        ceiling=maybe_in(table.ceiling, unit, (*path, "ceiling"), notes),
    )


def _wiper(
    table: f.WiperTable, found: m.Source | None, common: Mapping[str, Any], path: KeyPath, notes: Notes
) -> m.WiperCheck:
    read = read_only(found, path, notes) or m.MeterSource("", Function.DC_VOLTAGE)
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
        ceiling=maybe_in(table.ceiling, read.unit, (*path, "ceiling"), notes),
        span=span_in(table.span, read.unit, (*path, "span"), notes),
    )
