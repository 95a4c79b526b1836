"""What must hold between the steps of a procedure, and what must be declared because it can hurt.

The limits are those of IEC 61010-1, 6.3, normal condition (30 V RMS, 42.4 V peak, 60 V DC), quoted from memory; the
rules of a workshop may be stricter and then come first.
"""

from __future__ import annotations

from collections.abc import Iterable

from ..instruments import Function
from ..tomlfile import KeyPath
from ..units import show
from .build import Notes
from .model import (  # fmt: skip
    Catch,
    Coupled,
    Derive,
    Limits,
    MakeSafe,
    Procedure,
    ScopeSource,
    Soak,
    SoakChannel,
    Source,
    Step,
    Trim,
    Trimmer,
    Wait,
    WiperCheck,
    limits_of,
    sources_of,
    trimmers_of,
)

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
    for name in step.only_if:
        if name not in earlier:
            notes.add((*path, "only_if", name), f"{name!r} is not an earlier step.", "Correct the id.")
    trimmers = {trimmer.name for trimmer in _turned(procedure.steps)}
    for place, name in enumerate(step.cleans):
        if name not in trimmers:
            notes.add((*path, "cleans", place), f"No step turns {name!r}.", "Correct the trimmer's name.")


def _known(names: Iterable[str], known: set[str], key: str, what: str, path: KeyPath, notes: Notes) -> None:
    for place, name in enumerate(names):
        if name not in known:
            notes.add((*path, key, place), f"{name!r} is not {what}.", "Correct the id, or the order of the steps.")


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
    if step.hazard is None:
        for volts, limit, place in _too_much(step, path):
            notes.add(
                place,
                f"{show(volts, 'V')} is above {show(limit, 'V')} and can hurt, and the step declares no hazard.",
                "Declare [hazard.NAME] with its cautions and add hazard = ... to the step.",
            )


def _too_much(step: Step, path: KeyPath) -> Iterable[tuple[float, float, KeyPath]]:
    """The largest voltage that each source of a step looks for, where it is hazardous."""
    for place, source, looked_for in _looked_for(step, path):
        limit = hazardous_limit(source)
        largest = max((abs(volts) for volts in looked_for if volts is not None), default=0.0)
        if limit is not None and largest > limit:
            yield largest, limit, place


def _looked_for(step: Step, path: KeyPath) -> Iterable[tuple[KeyPath, Source, tuple[float | None, ...]]]:
    sources, limits = sources_of(step), limits_of(step)
    for index, source in enumerate(sources):
        within = limits[index] if index < len(limits) else None
        place = (*path, "axis", index) if isinstance(step, Coupled) else path
        yield place, source, (*_edges(within), _target(step, index), *_expected(source), _ceiling(step))


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
