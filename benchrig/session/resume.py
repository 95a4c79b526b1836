"""Taking up a job that was broken off: the plan and the values from the record, and nothing of what was safe then.

Rules it keeps:
1. The plan is made again by the same moves that made it, from the steps of the record that ended.
2. Safety does not survive a break: confirmations marked as safety are asked again, waits are judged again, and the
   unit's power and every lead are unknown. A point that was live when it broke off is made safe first.
3. A step that was broken off is done again; its value as found stays the first one that was read.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from ..errors import FileError
from ..procedure.model import Procedure
from ..records.facts import StepResult
from ..records.history import History, StepRow
from . import plan as planning
from .guard import MADE_SAFE
from .marks import MARKED
from .plan import Ended, Plan, Status
from .results import Done, Results
from .verdicts import creeps, went_well


@dataclass(frozen=True, slots=True)
class Resumed:
    """What a record says of a job that is to go on.

    live     names of hazards that were acknowledged and not seen safe afterwards
    exposed  names of hazards that were acknowledged at all: leads may be on their points
    marked   the trimmers' old positions were marked: marking them again would mark where they were turned to
    """

    plan: Plan
    results: Results
    ended: Mapping[str, StepResult]
    live: tuple[str, ...]
    exposed: frozenset[str] = frozenset()
    marked: bool = False


def take_up(history: History, job: int, procedure: Procedure, serial: str) -> Resumed:
    """Read `job`. Raises FileError if it is of another unit or another edition of the procedure file."""
    row = history.job(job)
    if row.serial != serial or row.procedure_digest != procedure.digest:
        raise FileError(
            f"Job {job} is of {row.title!r}, unit {row.serial or 'without a serial number'}: not this procedure file "
            f"and unit {serial or 'without a serial number'}.",
            next_step="Begin a new job, or give the file as it was then.",
        )
    steps = [it for it in history.steps(job) if it.result is not None]
    results = Results()
    ended: dict[str, StepResult] = {}
    for step in steps:
        assert step.result is not None
        results.keep(step.step, step.result)
        ended[step.step] = step.result
    plan = _asked_again(replayed(steps, procedure), procedure)
    asked = history.acknowledgements(job)
    exposed = frozenset(str(it["hazard"]) for it in asked)
    events = history.events(job)
    return Resumed(plan, results, ended, left_live(asked, events), exposed, _was_marked(events))


def _was_marked(events: Sequence[Mapping[str, Any]]) -> bool:
    answers = (it["facts"] for it in events if it["kind"] == "answer")
    return any(it.get("about") == "mark" and it.get("chosen") == MARKED for it in answers)


def replayed(steps: Sequence[StepRow], procedure: Procedure) -> Plan:
    """The plan after these steps. Steps that were closed without being done are closed again when it goes on."""
    plan = planning.begin(procedure)
    for step in steps:
        result = step.result
        if result is None or result.verdict in NOT_DONE:
            continue
        plan = after(plan, procedure, step.step, done_of(result), only_looking=step.purpose == "as found")
    return plan


NOT_DONE = frozenset({"blocked", "skipped", "stopped", "refused"})


def done_of(result: StepResult) -> Done:
    """How a step ended, from what the record kept of it."""
    details = result.details
    return Done(
        result,
        changed=bool(details.get("changed")),
        answer=str(details.get("answer", "")),
        to_do=bool(details.get("to_do")),
    )


def _asked_again(plan: Plan, procedure: Procedure) -> Plan:
    """Confirmations on which safety rests, and warm-ups, are open again."""
    again = {
        step.id: Status.OPEN for step in procedure.steps if step.asked_again and plan.status[step.id] is not Status.OPEN
    }
    why = dict.fromkeys(again, "the job was broken off")
    return replace(plan, status={**plan.status, **again}, why={**plan.why, **why}, read=plan.read - set(again))


def left_live(acknowledgements: Sequence[Mapping[str, Any]], events: Sequence[Mapping[str, Any]]) -> tuple[str, ...]:
    """Hazards that were acknowledged for work and not seen safe, or said to be safe, later than that."""
    safe = {it["facts"]["hazard"]: _order(it) for it in events if it["kind"] == MADE_SAFE}
    work = {it["hazard"]: _order(it) for it in acknowledgements if it["acknowledged"] and it["purpose"] == "work"}
    return tuple(hazard for hazard, when in work.items() if safe.get(hazard, (0, 0)) < when)


def _order(it: Mapping[str, Any]) -> tuple[int, int]:
    """What is of no step is at the beginning of its sitting."""
    return it["sitting"], it["step"] or 0


def after(plan: Plan, procedure: Procedure, step: str, done: Done, *, only_looking: bool) -> Plan:
    """The plan after a step, in the as-found pass or in the work."""
    status = status_of(done.result)
    if only_looking:
        read = Status.OPEN if done.to_do else status
        return planning.as_found(plan, procedure, step, read, done.answer, creeps=creeps(done.result))
    return planning.ended(plan, procedure, Ended(step, status, done.changed, done.answer, creeps(done.result)))


def status_of(result: StepResult) -> Status:
    if result.verdict == "skipped":
        return Status.SKIPPED
    return Status.GOOD if went_well(result) else Status.BAD


def with_facts(done: Done) -> StepResult:
    """The result with what the plan made of it, so that the plan can be made again from the record."""
    facts = {"changed": done.changed, "answer": done.answer, "to_do": done.to_do}
    told = {name: value for name, value in facts.items() if value}
    return replace(done.result, details={**done.result.details, **told}) if told else done.result
