"""A hazard owns its points and says how much is there: what a procedure file must keep to, and the ceilings it implies.

Rules kept here:
1. Any step that reads a point of a hazard, of whatever kind, by whatever instrument and in whatever unit, needs that
   hazard; and a voltage that can hurt is at a point of the step's own hazard.
2. Where a file declares a hazard, every step that reads says where the lead is.
3. What is expected is above what hands may touch, and nothing looks for much more than what is expected.
4. In every hazardous step a voltage far beyond what is expected stops the job, whether or not the step gives a ceiling.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from ..tomlfile import KeyPath
from ..units import show
from .model import (
    Axis,
    Coupled,
    Hazard,
    Least,
    Limits,
    Measure,
    Measurement,
    Procedure,
    ScopeSource,
    Soak,
    SoakChannel,
    Source,
    Step,
    Trim,
    TypedSource,
    Wait,
    WiperCheck,
    sources_of,
)
from .points import normal_form
from .sourcing import Notes


def check_hazards(procedure: Procedure, notes: Notes) -> None:
    """Note every mistake about what the hazards of a procedure own and expect."""
    for name, hazard in procedure.hazards.items():
        _expected(name, hazard, notes)
        _owned_once(procedure, name, hazard, notes)
    for index, step in enumerate(procedure.steps):
        for path, source in placed_sources(step, ("step", index)):
            _needs_its_hazard(procedure, step, source, path, notes)
            _says_where(procedure, source, path, notes)


def placed_sources(step: Step, path: KeyPath) -> Iterable[tuple[KeyPath, Source]]:
    """Every source of a step with the place of its table in the file."""
    match step:
        case Coupled():
            return [((*path, "axis", place), axis.source) for place, axis in enumerate(step.axes)]
        case Soak():
            channels = [((*path, "channels", place), it.source) for place, it in enumerate(step.channels)]
            return [*channels, *(((*path, "catches", place), it.source) for place, it in enumerate(step.catches))]
        case _:
            return [(path, source) for source in sources_of(step)]


def _expected(name: str, hazard: Hazard, notes: Notes) -> None:
    if abs(hazard.expected) > hazard.limit:
        return
    words = f"{show(hazard.expected, 'V')} would be said, and hands may go in below {show(hazard.limit, 'V')}."
    cure = "Say what is there, with its unit: kV or V? Take the hazard out if nothing there can hurt."
    notes.add(("hazard", name, "expected"), words, cure)


def _owned_once(procedure: Procedure, name: str, hazard: Hazard, notes: Notes) -> None:
    for other in procedure.hazards.values():
        if other.name == name:
            return  # each pair once, at the later one
        both = [own for own in (hazard.test_point, *hazard.points) if other.owns(own)]
        both += [own for own in (other.test_point, *other.points) if hazard.owns(own)]
        if both:
            words = f"[hazard.{other.name}] has {both[0]!r} too, or a name that reads like it."
            notes.add(("hazard", name), words, "Give each point to one hazard, under a name that no other has.")


def _needs_its_hazard(procedure: Procedure, step: Step, source: Source, path: KeyPath, notes: Notes) -> None:
    owner = procedure.owner(source.point)
    if owner is None or owner.name == step.hazard:
        return
    has = f"the step declares {step.hazard!r}" if step.hazard else "the step declares no hazard"
    reads_like = "" if source.point in (owner.test_point, *owner.points) else f" (it reads like {owner.test_point!r})"
    words = f"{source.point!r} is a point of [hazard.{owner.name}]{reads_like}, and {has}."
    cure = f'Add hazard = "{owner.name}" to the step; or, if it is another place, give it a name of its own.'
    notes.add((*path, "point"), words, cure)


def _says_where(procedure: Procedure, source: Source, path: KeyPath, notes: Notes) -> None:
    if procedure.hazards and not isinstance(source, TypedSource) and not normal_form(source.point):
        words = f"It must be said where the lead of {source.instrument} is: the file declares a hazard."
        notes.add(path, words, 'Add point = "...".')


# the ceilings that a hazard implies


def with_ceilings(step: Step, hazard: Hazard | None) -> Step:
    """The step with the hazard's own ceiling on every voltage that has none, or a higher one.

    Of a soak only at the hazard's points: it watches harmless ones besides, with limits of their own.
    """
    if hazard is None:
        return step
    match step:
        case Measure() | Trim() | Least():
            return replace(step, limits=_limits(step.limits, step.source, hazard))
        case Wait() | WiperCheck():
            return replace(step, ceiling=_lower(step.ceiling, step.source, hazard))
        case Coupled():
            return replace(step, axes=tuple(_limited(axis, hazard) for axis in step.axes))
        case Soak():
            channels = (_limited(it, hazard) if hazard.owns(it.source.point) else it for it in step.channels)
            return replace(step, channels=tuple(channels))
        case _:
            return step


def _limited(part: Any, hazard: Hazard) -> Any:
    """An axis or a channel, with the hazard's ceiling."""
    assert isinstance(part, Axis | SoakChannel)
    return replace(part, limits=_limits(part.limits, part.source, hazard))


def _limits(limits: Limits, source: Source, hazard: Hazard) -> Limits:
    return replace(limits, ceiling=_lower(limits.ceiling, source, hazard))


def _lower(written: float | None, source: Source | None, hazard: Hazard) -> float | None:
    if source is None or source.unit != "V" or isinstance(source, TypedSource):
        return written
    # A swing from peak to peak is twice the largest magnitude at the most.
    both_ways = isinstance(source, ScopeSource) and source.measurement is Measurement.PEAK_TO_PEAK
    implied = hazard.highest * (2.0 if both_ways else 1.0)
    return implied if written is None else min(written, implied)
