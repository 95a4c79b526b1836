"""What the record and the person are told of a job and of a step: taken from the procedure, in words. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ..checkout import version
from ..procedure.model import Step
from ..procedure.quantities import ScopeSource, TypedSource
from ..records.facts import JobFacts, StepFacts
from .notices import Connection, StepStarted
from .work import Services


def job_facts(services: Services, serial: str, environment: Mapping[str, Any]) -> JobFacts:
    procedure = services.procedure
    return JobFacts(
        procedure=procedure.id,
        title=procedure.title,
        procedure_digest=procedure.digest,
        procedure_file=procedure.file,
        unit=procedure.unit,
        serial=serial,
        operator=services.operator.name,
        bench=services.tools.name,
        simulated=services.tools.all_doubles(),
        version=version(),
        rule=procedure.rule,
        instruments=services.tools.facts(),
        environment=dict(environment),
    )


def step_facts(step: Step, number: int, rounds: int, purpose: str = "") -> StepFacts:
    """`number` counts the steps of the file from 1; `rounds` how often this one was done before in this job."""
    return StepFacts(
        step=step.id,
        kind=step.kind,
        title=step.title,
        number=number,
        round=rounds + 1,
        purpose=purpose or ("check again" if rounds else "do"),
        point=_points(step),
        trimmer=_trimmers(step),
    )


def step_started(step: Step, number: int, of: int) -> StepStarted:
    """The step as it is shown to the person who is to do it."""
    return StepStarted(
        step=step.id,
        step_kind=step.kind,
        title=step.title,
        instruction=step.instruction,
        number=number,
        of=of,
        trimmer=_trimmers(step),
        point=_points(step),
        connections=connections(step),
        card=step.card or "",
        conditions=tuple(step.conditions),
        hazard=step.hazard or "",
    )


def connections(step: Step) -> tuple[Connection, ...]:
    """What must touch what in a step."""
    return tuple(
        Connection(
            source.instrument,
            source.point,
            source.channel if isinstance(source, ScopeSource) else None,
            source.probe or "",
        )
        for source in step.sources
        if not isinstance(source, TypedSource)
    )


def _points(step: Step) -> str:
    return ", ".join(dict.fromkeys(source.point for source in step.sources if source.point))


def _trimmers(step: Step) -> str:
    return ", ".join(trimmer.name for trimmer in step.trimmers)
