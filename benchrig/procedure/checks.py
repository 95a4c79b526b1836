"""What must hold between the steps of a procedure, and what must be declared because it can hurt.

The limits are those of IEC 61010-1, 6.3, normal condition (30 V RMS, 42.4 V peak, 60 V DC), quoted from memory; the
rules of a workshop may be stricter and then come first.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from ..instruments import Function
from ..tomlfile import KeyPath
from ..trim.wiper import Wiper
from ..units import show
from .hazards import check_hazards
from .model import (  # fmt: skip
    Catch,
    Confirm,
    Coupled,
    Derive,
    Enter,
    Hazard,
    Least,
    Limits,
    MakeSafe,
    Measure,
    MeterSource,
    Observe,
    Operation,
    Procedure,
    ScopeSource,
    Soak,
    SoakChannel,
    Source,
    Step,
    Trim,
    Trimmer,
    TypedSource,
    Wait,
    WiperCheck,
    limits_of,
    sources_of,
    trimmers_of,
)
from .sourcing import Notes

DC_LIMIT = 60.0
AC_LIMIT = 30.0
PEAK_LIMIT = 42.4


def hazardous_limit(source: Source) -> float | None:
    """Volts above which what this source reads can hurt; None where it reads no voltage."""
    if source.unit != "V":
        return None
    if isinstance(source, ScopeSource):
        return PEAK_LIMIT
    function = getattr(source, "function", None)
    return {Function.DC_VOLTAGE: DC_LIMIT, Function.AC_VOLTAGE: AC_LIMIT}.get(function, AC_LIMIT)  # type: ignore[arg-type]


def check(procedure: Procedure, notes: Notes) -> None:
    """Note every mistake between steps."""
    _unique(procedure, notes)
    check_hazards(procedure, notes)
    for name in procedure.hazards:
        _hold_point(procedure, name, notes)
    for index, step in enumerate(procedure.steps):
        path: KeyPath = ("step", index)
        _names(procedure, step, index, path, notes)
        _danger(procedure, step, path, notes)
        if isinstance(step, Soak):
            _unattended(step, path, notes)
        if isinstance(step, WiperCheck):
            _set_afterwards(procedure, step, index, notes)


def _unique(procedure: Procedure, notes: Notes) -> None:
    first: dict[str, int] = {}
    for index, step in enumerate(procedure.steps):
        if step.id in first:
            line = procedure.steps[first[step.id]].line
            notes.add(("step", index, "id"), f"The id {step.id!r} stands in line {line} already.", "Choose another.")
        first.setdefault(step.id, index)


def _names(procedure: Procedure, step: Step, index: int, path: KeyPath, notes: Notes) -> None:
    every = {other.id for other in procedure.steps}
    earlier = {other.id for other in procedure.steps[:index]}
    _known(step.disturbs, every - {step.id}, "disturbs", "another step", path, notes)
    _known(step.needs, earlier, "needs", "an earlier step", path, notes)
    if isinstance(step, Derive):
        _known(step.of, earlier, "of", "an earlier step", path, notes)
        _comparable(step, {it.id: it for it in procedure.steps[:index]}, path, notes)
    for name, words in step.only_if.items():
        if name not in earlier:
            notes.add((*path, "only_if", name), f"{name!r} is not an earlier step.", "Correct the id.")
        elif (known := _answers(procedure.step(name))) is not None and words not in known:
            cure = f"Its answers: {', '.join(known)}." if known else "Only what is asked or swept has an answer."
            notes.add((*path, "only_if", name), f"{name!r} is never answered with {words!r}.", cure)
    trimmers = {trimmer.name for trimmer in _turned(procedure.steps)}
    for place, name in enumerate(step.cleans):
        if name not in trimmers:
            notes.add((*path, "cleans", place), f"No step turns {name!r}.", "Correct the trimmer's name.")


def _known(names: Iterable[str], known: set[str], key: str, what: str, path: KeyPath, notes: Notes) -> None:
    for place, name in enumerate(names):
        if name not in known:
            notes.add((*path, key, place), f"{name!r} is not {what}.", "Correct the id, or the order of the steps.")


def _answers(step: Step) -> tuple[str, ...] | None:
    """What a step can be answered with; None where that is for the session to say."""
    match step:
        case Confirm():
            return ("done", "not done")
        case Observe():
            return step.choices
        case WiperCheck():
            return tuple(Wiper)
        case Trim() | Coupled() | Least():
            return None
        case _:
            return ()


def _comparable(step: Derive, earlier: Mapping[str, Step], path: KeyPath, notes: Notes) -> None:
    """It is made of values, of one unit where they are not divided, and its window is in that unit."""
    units: dict[str, str] = {}
    for place, name in enumerate(step.of):
        match earlier.get(name):
            case None:
                pass  # noted already
            case Measure() | Trim() | Least() | Enter() | Derive() as other:
                units[name] = other.limits.unit
            case other:
                notes.add((*path, "of", place), f"{name!r} ({other.kind}) gives no single value.", "Name another step.")
    if step.operation is Operation.RATIO:
        return
    if len(set(units.values())) > 1:
        listed = ", ".join(f"{name} in {unit}" for name, unit in units.items())
        notes.add((*path, "of"), f"These cannot be compared: {listed}.", "Name steps of one unit.")
    elif units and step.operation is not Operation.PERCENT_MISMATCH and step.limits.unit not in units.values():
        unit = next(iter(units.values()))
        words = f"The window is in {step.limits.unit}, but what it is made of is in {unit}."
        notes.add((*path, "window"), words, f"Give it in {unit}.")


def _set_afterwards(procedure: Procedure, step: WiperCheck, index: int, notes: Notes) -> None:
    """What a sweep has moved must be set again."""
    later = {it.name for it in _turned(procedure.steps[index + 1 :])}
    if step.trimmer.name not in later:
        words = f"The sweep moves {step.trimmer.name}, and no later step sets it."
        notes.add(("step", index, "trimmer"), words, "Let a trim of it follow.")


def _turned(steps: Iterable[Step]) -> Iterable[Trimmer]:
    """What the hands set in these steps; a sweep sets nothing."""
    return (it for step in steps if not isinstance(step, WiperCheck) for it in trimmers_of(step))


def _unattended(step: Soak, path: KeyPath, notes: Notes) -> None:
    """What nobody could do during a soak: move a lead, turn a knob, let go of a point that power left."""
    watched: list[SoakChannel | Catch] = [*step.channels, *step.catches]
    for place, name in _twice([it.name for it in watched]):
        notes.add(path, f"{name!r} is watched twice.", f"Give number {place + 1} a name of its own.")
    touched: dict[tuple[str, int | None], str] = {}
    for it in watched:
        where = (it.source.instrument, getattr(it.source, "channel", None))
        if touched.setdefault(where, it.source.point) != it.source.point:
            notes.add(path, f"{it.source.instrument} cannot be at two points.", "Use one instrument for each point.")
    for name in {it.source.instrument for it in step.channels} & {it.source.instrument for it in step.catches}:
        notes.add(path, f"{name} waits for a dip and cannot read besides.", "Use another instrument for one of them.")
    if step.warm_up >= step.duration:
        notes.add((*path, "warm_up"), "The warm-up takes the whole soak.", "Make it shorter, or `lasts` longer.")
    if step.cycle is not None and step.hazard is not None:
        notes.add((*path, "cycle"), "A hazardous point needs somebody each time it comes on.", "Leave out one of them.")


def _twice(names: list[str]) -> list[tuple[int, str]]:
    return [(place, name) for place, name in enumerate(names) if name in names[:place]]


def _danger(procedure: Procedure, step: Step, path: KeyPath, notes: Notes) -> None:
    if step.hazard is not None and step.hazard not in procedure.hazards:
        known = ", ".join(procedure.hazards) or "none"
        notes.add((*path, "hazard"), f"There is no [hazard.{step.hazard}].", f"Declared: {known}.")
    if isinstance(step, MakeSafe) and step.hazard is None:
        notes.add(path, "It must be said what is made safe.", "Add hazard = ...")
    for it in _can_hurt(step, path):
        if step.hazard is None:
            words = f"{show(it.largest, 'V')} is above {show(it.limit, 'V')} and can hurt"
            cure = "Declare [hazard.NAME] with its cautions and add hazard = ... to the step."
            notes.add(it.place, f"{words}, and the step declares no hazard.", cure)
        elif not it.source.point and isinstance(it.source, TypedSource):
            notes.add(it.place, "It must be said where this voltage is.", 'Add point = "..."')
        elif (hazard := procedure.hazards.get(step.hazard)) is not None:
            _of_this_hazard(hazard, it, notes)


def _of_this_hazard(hazard: Hazard, look: _Look, notes: Notes) -> None:
    """What a hazardous step looks for is where its hazard is, and not far beyond what the hold point names."""
    point = look.source.point
    if point and not hazard.owns(point) and not isinstance(look.source, TypedSource):
        words = f"{point!r} is no point of [hazard.{hazard.name}], and {show(look.largest, 'V')} there can hurt."
        cure = f'Add it there, points = ["{point}"], or declare a hazard of its own.'
        notes.add((*look.place, "point"), words, cure)
    if look.wanted > hazard.highest:
        words = (
            f"This goes up to {show(look.wanted, 'V')}, and above {show(hazard.highest, 'V')} "
            f"({hazard.ceiling_factor:g} times what is expected) the job is stopped."
        )
        cure = f"Correct it, or `expected` or `ceiling_factor` of [hazard.{hazard.name}]."
        notes.add(look.place, words, cure)


def _hold_point(procedure: Procedure, name: str, notes: Notes) -> None:
    """What a person must type before the point is touched has to be true: which point, and no less than is there."""
    hazard = procedure.hazards[name]
    looks = [it for n, step in enumerate(procedure.steps) if step.hazard == name for it in _can_hurt(step, ("step", n))]
    points = dict.fromkeys(it.source.point for it in looks if it.source.point)
    if points and not any(hazard.is_test_point(point) for point in points):
        words = f"No step reads {hazard.test_point!r}, and that is what the hold point would name."
        notes.add(("hazard", name, "test_point"), words, f"What is read: {', '.join(points)}.")
    least = max((it.least for it in looks), default=0.0)
    if least > abs(hazard.expected):
        words = f"{show(hazard.expected, 'V')} would be said, and a step looks for {show(least, 'V')} or more."
        notes.add(("hazard", name, "expected"), words, "Say what is there.")


class _Look(NamedTuple):
    """A source that looks for more volts than may be touched.

    largest  that it looks for
    wanted   that it is to reach or may reach: of its limits and its target
    least    magnitude that a meter there may find and still be in; 0.0 where nothing is known of it
    limit    above which it can hurt
    """

    place: KeyPath
    source: Source
    largest: float
    wanted: float
    least: float
    limit: float


def _can_hurt(step: Step, path: KeyPath) -> Iterable[_Look]:
    sources, limits = sources_of(step), limits_of(step)
    for index, source in enumerate(sources):
        within = limits[index] if index < len(limits) else None
        limit = hazardous_limit(source)
        wanted = _largest(*_edges(within), _target(step, index), _ceiling(step), getattr(source, "expected", None))
        largest = max(wanted, _largest(*_expected(source)))
        if limit is not None and largest > limit:
            place = (*path, "axis", index) if isinstance(step, Coupled) else path
            least = _least(within) if within is not None and isinstance(source, MeterSource) else 0.0
            yield _Look(place, source, largest, wanted, least, limit)


def _largest(*volts: float | None) -> float:
    """The largest magnitude of those that are given."""
    return max((abs(it) for it in volts if it is not None), default=0.0)


def _least(within: Limits) -> float:
    """The smallest magnitude in the wider window."""
    low, high = within.acceptable
    return max(0.0, -math.inf if low is None else low, -math.inf if high is None else -high)


def _edges(within: Limits | None) -> tuple[float | None, ...]:
    return () if within is None else (*within.window, *within.acceptable, within.ceiling)


def _target(step: Step, index: int) -> float | None:
    match step:
        case Trim():
            return step.target
        case Coupled():
            return step.axes[index].target
        case _:
            return None


def _ceiling(step: Step) -> float | None:
    return step.ceiling if isinstance(step, Wait | WiperCheck) else None


def _expected(source: Source) -> tuple[float | None, ...]:
    swing = getattr(source, "swing", None)
    return getattr(source, "expected", None), None if swing is None else swing / 2.0
