"""Which step comes next, and why: order, needs, what disturbs what. Pure.

Rules it keeps:
1. First everything that can be measured is read, as found, before anything is turned. What is right then is done.
2. Then steps are done in the order of the file; a step is opened again when something that disturbs it really changed.
3. A step that needs another waits until that one has ended well; if it ended badly, the step is blocked and says so.
   After a failed safety step nothing more is done that has the unit running.
4. A step that ended while its value crept is looked at again, once, when all else is done.
5. The loop ends: when two steps have opened each other `PATIENCE` times, they are named and left.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from ..procedure.model import Procedure, Step

PATIENCE = 4  # rounds that two steps may fight


class Status(enum.StrEnum):
    """How a step stands."""

    OPEN = "open"
    GOOD = "good"
    BAD = "bad"
    SKIPPED = "skipped"
    BLOCKED = "blocked"
    NOT_FOR_THIS = "not for this unit"  # its `only_if` did not hold


SETTLED_WELL = frozenset({Status.GOOD, Status.NOT_FOR_THIS})


@dataclass(frozen=True, slots=True)
class Plan:
    """How every step stands. `why` says what opened it (again); `rounds` how often it was begun."""

    status: Mapping[str, Status]
    rounds: Mapping[str, int] = field(default_factory=dict)
    why: Mapping[str, str] = field(default_factory=dict)
    answers: Mapping[str, str] = field(default_factory=dict)
    opened: Mapping[tuple[str, str], int] = field(default_factory=dict)  # (by, what) -> how often
    fighting: tuple[tuple[str, str], ...] = ()
    read: frozenset[str] = frozenset()  # steps whose value as found was taken
    creeping: frozenset[str] = frozenset()  # steps that ended well, with a value that creeps
    looked_again: frozenset[str] = frozenset()  # of those, the ones that were opened once more, or let be


def begin(procedure: Procedure) -> Plan:
    """Everything open."""
    return Plan({step.id: Status.OPEN for step in procedure.steps})


def to_read_first(procedure: Procedure) -> tuple[str, ...]:
    """Ids of the steps of the as-found pass, in order: what can be measured, and what must be done for that."""
    wanted = {step.id for step in procedure.steps if step.measures and step.as_found}
    for step in reversed(procedure.steps):
        if step.id in wanted:
            wanted |= {other for other in step.needs if procedure.step(other).prepares}
    return tuple(step.id for step in procedure.steps if step.id in wanted and not (step.cleans or step.only_if))


def next_to_read(plan: Plan, procedure: Procedure) -> str | None:
    """The id of the next step of the as-found pass; None when it is over.

    A trim that was read and is still to be set does not stand in the way of reading what comes after it.
    """
    for name in to_read_first(procedure):
        before = procedure.step(name).rests_on
        ready = all(plan.status[it] in SETTLED_WELL or _read_and_open(plan, it) for it in before)
        if plan.status[name] is Status.OPEN and name not in plan.read and ready:
            return name
    return None


def _read_and_open(plan: Plan, name: str) -> bool:
    return name in plan.read and plan.status[name] is Status.OPEN


def as_found(
    plan: Plan, procedure: Procedure, step: str, status: Status, answer: str = "", *, creeps: bool = False
) -> Plan:
    """The plan after a step of the as-found pass; `status` is OPEN for what is still to be set.

    What is out while something that it needs is still to be set is no fault yet: it is read again in its turn.
    """
    if status is Status.BAD and any(_read_and_open(plan, it) for it in procedure.step(step).rests_on):
        status = Status.OPEN
    answers = {**plan.answers, step: answer} if answer else plan.answers
    plan = replace(plan, status={**plan.status, step: status}, read=plan.read | {step}, answers=answers)
    return _crept(plan, step, creeps=creeps and status is Status.GOOD)


def _crept(plan: Plan, step: str, *, creeps: bool) -> Plan:
    return replace(plan, creeping=plan.creeping | {step} if creeps else plan.creeping - {step})


def to_look_again(plan: Plan) -> frozenset[str]:
    """Ids of the steps whose value crept when they ended, and that nobody has looked at since."""
    good = (step for step in plan.creeping - plan.looked_again if plan.status[step] is Status.GOOD)
    return frozenset(good)


def look_again(plan: Plan, procedure: Procedure, steps: frozenset[str]) -> Plan:
    """The plan with these of `to_look_again` open once more, and what is worked out from them. The rest is let be."""
    also = {it.id for it in procedure.steps if steps & set(it.made_of)}
    opened = [it for it in (*steps, *also) if plan.status[it] in (Status.GOOD, Status.BAD)]
    return replace(
        plan,
        status={**plan.status, **dict.fromkeys(opened, Status.OPEN)},
        why={**plan.why, **dict.fromkeys(opened, "its value was still creeping")},
        looked_again=plan.looked_again | to_look_again(plan),
    )


@dataclass(frozen=True, slots=True)
class Ended:
    """A step ended.

    changed  something was really turned, cleaned or mended, not only looked at
    creeps   its value is inside and moves on
    """

    step: str
    status: Status
    changed: bool = False
    answer: str = ""
    creeps: bool = False


def ended(plan: Plan, procedure: Procedure, event: Ended) -> Plan:
    """The plan after a step: its status, and what it opened again."""
    rounds = {**plan.rounds, event.step: plan.rounds.get(event.step, 0) + 1}
    answers = {**plan.answers, event.step: event.answer} if event.answer else plan.answers
    plan = replace(plan, status={**plan.status, event.step: event.status}, rounds=rounds, answers=answers)
    plan = _crept(plan, event.step, creeps=event.creeps)
    if not event.changed:
        return plan
    step = procedure.step(event.step)
    for other in disturbed_by(procedure, step):
        plan = _reopened(plan, step.id, other, fights=bool(procedure.step(other).turns))
    return plan


def disturbed_by(procedure: Procedure, step: Step) -> tuple[str, ...]:
    """Ids of the steps that a real change in `step` puts in question, in the order of the file."""
    moved = step.turns - step.sets
    return tuple(
        other.id
        for other in procedure.steps
        if other.id in step.disturbs
        or set(step.cleans) & other.turns
        or moved & other.sets
        or (other.only_looks and step.id in other.rests_on)  # what only looks must look again
    )


def _reopened(plan: Plan, by: str, what: str, *, fights: bool) -> Plan:
    """`what` open again. It `fights` if something is turned in it; what only looks follows as often as it must."""
    if plan.status[what] in (Status.OPEN, Status.SKIPPED, Status.BLOCKED, Status.NOT_FOR_THIS):
        return plan
    times = plan.opened.get((by, what), 0) + 1
    if times > PATIENCE and fights:
        pair = (min(by, what), max(by, what))
        return replace(plan, fighting=tuple(dict.fromkeys((*plan.fighting, pair))))
    return replace(
        plan,
        status={**plan.status, what: Status.OPEN},
        why={**plan.why, what: f"{by} was changed"},
        opened={**plan.opened, (by, what): times},
    )


def settle(plan: Plan, procedure: Procedure) -> Plan:
    """Close what needs no doing: steps that are blocked, and steps that are not for this unit."""
    failed = unsafe(plan, procedure)
    for step in procedure.steps:
        if plan.status[step.id] is not Status.OPEN:
            continue
        closed = _closed(plan, step)
        if closed is None and failed is not None and step.powers_unit:
            closed = Status.BLOCKED, f"{failed} failed: the unit is not to run"
        if closed is not None:
            status, why = closed
            plan = replace(plan, status={**plan.status, step.id: status}, why={**plan.why, step.id: why})
    return plan


_HOW = {Status.BAD: "failed", Status.BLOCKED: "is blocked", Status.SKIPPED: "was skipped"}


def _closed(plan: Plan, step: Step) -> tuple[Status, str] | None:
    for other, words in step.only_if.items():
        if plan.status[other] is not Status.OPEN and plan.answers.get(other) != words:
            return Status.NOT_FOR_THIS, f"{other} was not {words!r}"
    for other in step.rests_on:
        if plan.status[other] in _HOW:
            return Status.BLOCKED, f"needs {other}, which {_HOW[plan.status[other]]}"
    return None


def unsafe(plan: Plan, procedure: Procedure) -> str | None:
    """The id of a safety step that has failed."""
    return next((it.id for it in procedure.steps if it.safety and plan.status[it.id] is Status.BAD), None)


def next_step(plan: Plan, procedure: Procedure) -> str | None:
    """The id of the first open step whose needs are met; None when nothing is left. `settle` first."""
    for step in procedure.steps:
        ready = all(plan.status[other] in SETTLED_WELL for other in step.rests_on)
        if plan.status[step.id] is Status.OPEN and ready:
            return step.id
    return None


def printed(procedure: Procedure) -> list[str]:
    """The plan as lines for a person: order, needs, what opens what again."""
    lines = [f"First, before anything is turned, these are read as found: {', '.join(to_read_first(procedure))}"]
    for number, step in enumerate(procedure.steps, 1):
        needs = f", needs {', '.join(step.needs)}" if step.needs else ""
        hazard = f", HOLD POINT {step.hazard}" if step.hazard else ""
        lines.append(f"{number:3} {step.id}: {step.kind}, {step.title}{needs}{hazard}")
        if opens := disturbed_by(procedure, step):
            lines.append(f"      a change here opens {', '.join(opens)} again")
    return lines
