"""What must hold between the steps of a procedure, and what must be declared because it can hurt.

The limits are those that the safety pages of published meter manuals give, after IEC 61010-1: 30 V AC RMS, 42.4 V
peak, 60 V DC (the Voltcraft VC331, page 39; the clause itself was not read). A workshop's rules may be stricter and
then come first.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import NamedTuple

from ..instruments import Function
from ..tomlfile import KeyPath
from ..units import show
from .hazards import check_hazards
from .model import Hazard, Procedure, Step
from .notes import Notes
from .quantities import Limits, MeterSource, ScopeSource, Source, TypedSource
from .step import Neighbours

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
        step.check_keys(path, notes)
        earlier = {other.id: other for other in procedure.steps[:index]}
        step.check(Neighbours(earlier, procedure.steps[index + 1 :]), path, notes)


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
    for name, words in step.only_if.items():
        if name not in earlier:
            notes.add((*path, "only_if", name), f"{name!r} is not an earlier step.", "Correct the id.")
        elif (known := procedure.step(name).answers) is not None and words not in known:
            cure = f"Its answers: {', '.join(known)}." if known else "Only what is asked or swept has an answer."
            notes.add((*path, "only_if", name), f"{name!r} is never answered with {words!r}.", cure)
    trimmers = {trimmer for other in procedure.steps for trimmer in other.sets}
    for place, name in enumerate(step.cleans):
        if name not in trimmers:
            notes.add((*path, "cleans", place), f"No step turns {name!r}.", "Correct the trimmer's name.")


def _known(names: Iterable[str], known: set[str], key: str, what: str, path: KeyPath, notes: Notes) -> None:
    for place, name in enumerate(names):
        if name not in known:
            notes.add((*path, key, place), f"{name!r} is not {what}.", "Correct the id, or the order of the steps.")


def _danger(procedure: Procedure, step: Step, path: KeyPath, notes: Notes) -> None:
    if step.hazard is not None and step.hazard not in procedure.hazards:
        known = ", ".join(procedure.hazards) or "none"
        notes.add((*path, "hazard"), f"There is no [hazard.{step.hazard}].", f"Declared: {known}.")
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
    for part in step.parts():
        source, within = part.source, part.limits
        if source is None:
            continue
        limit = hazardous_limit(source)
        wanted = _largest(*_edges(within), *part.aims, getattr(source, "expected", None))
        largest = max(wanted, _largest(*_expected(source)))
        if limit is not None and largest > limit:
            least = _least(within) if within is not None and isinstance(source, MeterSource) else 0.0
            yield _Look((*path, *part.place), source, largest, wanted, least, limit)


def _largest(*volts: float | None) -> float:
    """The largest magnitude of those that are given."""
    return max((abs(it) for it in volts if it is not None), default=0.0)


def _least(within: Limits) -> float:
    """The smallest magnitude in the wider window."""
    low, high = within.acceptable
    return max(0.0, -math.inf if low is None else low, -math.inf if high is None else -high)


def _edges(within: Limits | None) -> tuple[float | None, ...]:
    return () if within is None else (*within.window, *within.acceptable, within.ceiling)


def _expected(source: Source) -> tuple[float | None, ...]:
    swing = getattr(source, "swing", None)
    return getattr(source, "expected", None), None if swing is None else swing / 2.0
