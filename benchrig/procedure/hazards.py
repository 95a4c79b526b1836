"""A hazard owns its points and says how much is there: what a procedure file must keep to, and the ceilings it implies.

Rules kept here:
1. Any step that reads a point of a hazard, of whatever kind, by whatever instrument and in whatever unit, needs that
   hazard; and a voltage that can hurt is at a point of the step's own hazard.
2. Where a file declares a hazard, every step that reads says where the lead is.
3. What is expected is above what hands may touch, and nothing looks for much more than what is expected.
4. In every hazardous step a voltage far beyond what is expected stops the job, whether or not the step gives a ceiling.
"""

from __future__ import annotations

from ..tomlfile import KeyPath
from ..units import show
from .model import Hazard, Procedure, Step
from .notes import Notes
from .points import normal_form
from .quantities import Measurement, ScopeSource, Source, TypedSource


def check_hazards(procedure: Procedure, notes: Notes) -> None:
    """Note every mistake about what the hazards of a procedure own and expect."""
    for name, hazard in procedure.hazards.items():
        _expected(name, hazard, notes)
        _owned_once(procedure, name, hazard, notes)
    for index, step in enumerate(procedure.steps):
        for part in step.parts():
            if part.source is not None:
                path: KeyPath = ("step", index, *part.place)
                _needs_its_hazard(procedure, step, part.source, path, notes)
                _says_where(procedure, part.source, path, notes)


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

    Of a step that reads harmless points besides, with limits of their own, only at the hazard's points.
    """
    if hazard is None:
        return step

    def lower(source: Source, written: float | None) -> float | None:
        return written if step.beside_hazard and not hazard.owns(source.point) else _lower(written, source, hazard)

    return step.with_ceilings(lower)


def _lower(written: float | None, source: Source, hazard: Hazard) -> float | None:
    if source.unit != "V" or isinstance(source, TypedSource):
        return written
    # A swing from peak to peak is twice the largest magnitude at the most.
    both_ways = isinstance(source, ScopeSource) and source.measurement is Measurement.PEAK_TO_PEAK
    implied = hazard.highest * (2.0 if both_ways else 1.0)
    return implied if written is None else min(written, implied)
