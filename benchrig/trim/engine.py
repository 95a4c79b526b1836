"""The trim engine: readings in, cues for the hands out. Pure: no clock, no I/O; time comes with each event.

Rules it keeps:
- A reading counts only if it is usable, fresh, newer than the one before, finite and in the goal's unit.
- A setting is accepted only by a reading, never by time alone: every reading over `goal.hold` seconds counted, stood
  inside the window, and showed no movement; any other event in between starts the hold again.
- A number above the ceiling, whatever its flags, ends the trim at once. So does overload where there is a ceiling.
- Once ended, by acceptance or by the ceiling, only `Restart` begins again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from ..readings import Flag, Reading
from .types import (
    Accepted,
    CeilingPassed,
    Cue,
    Cued,
    Goal,
    Known,
    LinkDown,
    LinkUp,
    Measured,
    Restart,
    TrimEffect,
    TrimEvent,
    TrimView,
    Turned,
)

_ENDED = frozenset({Cue.ACCEPTED, Cue.CEILING})


@dataclass(frozen=True, slots=True)
class TrimState:
    """Everything the engine knows. Made by `start`, changed only by `step`."""

    goal: Goal
    known: Known
    now: float
    cue: Cue = Cue.WAIT
    linked: bool = True
    last: Reading | None = None  # newest reading that counted
    hold: tuple[Reading, ...] = ()  # the readings of the hold that is running


def start(goal: Goal, now: float, known: Known | None = None) -> TrimState:
    """A trim that has seen nothing yet. `known` is what an earlier trim of the same trimmer learned."""
    return TrimState(goal, known or Known(), now)


def step(state: TrimState, event: TrimEvent) -> tuple[TrimState, tuple[TrimEffect, ...]]:
    """One event. The effects come in the order in which they should be carried out."""
    now = max(state.now, event.now)
    state = replace(state, now=now)
    if isinstance(event, Restart):
        return _recued(replace(start(state.goal, now, state.known), linked=state.linked), state.cue)
    if state.cue is Cue.CEILING:
        return state, ()
    if isinstance(event, Measured):
        return _measured(state, event.reading)
    if state.cue is Cue.ACCEPTED:
        return state, ()
    if isinstance(event, Turned):
        return state, ()
    if isinstance(event, LinkDown | LinkUp):
        state = replace(state, linked=isinstance(event, LinkUp), hold=(), last=None)
    return _recued(state, state.cue)


def view(state: TrimState, now: float) -> TrimView:
    """What a gauge, a tone or a simulated person can see at `now`."""
    goal = state.goal
    value = None if state.last is None else state.last.value
    distance = None if value is None else goal.target - value
    held = 0.0
    if state.cue is Cue.ACCEPTED:
        held = 1.0
    elif state.hold and goal.hold > 0:
        held = min(1.0, (state.hold[-1].time - state.hold[0].time) / goal.hold)
    return TrimView(
        value=value,
        distance=distance,
        cue=state.cue if state.cue in _ENDED else _cue(replace(state, now=max(now, state.now))),
        held=held,
        position=None if value is None else position(goal, value),
        edges=(position(goal, goal.low), position(goal, goal.high)),
        stale=not _fresh(state.last, goal, now),
    )


def position(goal: Goal, value: float) -> float:
    """Where `value` stands on the bar, -1..+1: straight over the middle third per side, drawn together beyond."""
    half = max(goal.high - goal.target, goal.target - goal.low, 1e-300)
    away = (value - goal.target) / half
    if not math.isfinite(away):
        return math.copysign(1.0, away)
    size = abs(away)
    bar = size / 3.0 if size <= 1.0 else 1.0 / 3.0 + 2.0 / 3.0 * (1.0 - 1.0 / (1.0 + math.log(size) / 3.0))
    return math.copysign(min(bar, 1.0), away)


def _measured(state: TrimState, reading: Reading) -> tuple[TrimState, tuple[TrimEffect, ...]]:
    goal = state.goal
    if _above_ceiling(goal, reading):
        value = reading.value if not reading.flags & Flag.OVERLOAD else None
        ended = replace(state, cue=Cue.CEILING, hold=())
        return ended, (CeilingPassed(value, state.now), Cued(Cue.CEILING, None))
    if state.cue is Cue.ACCEPTED:
        return state, ()
    if not _counts(state, reading):
        before = replace(state, hold=())
        return _recued(before, state.cue, busy=bool(reading.flags & Flag.BUSY))
    state = replace(state, last=reading, hold=_held(goal, state.hold, reading))
    if _complete(goal, state.hold):
        return _accepted(state)
    return _recued(state, state.cue)


def _above_ceiling(goal: Goal, reading: Reading) -> bool:
    if goal.ceiling is None or reading.unit != goal.unit:
        return False
    if reading.flags & Flag.OVERLOAD:
        return True
    return reading.value is not None and abs(reading.value) > goal.ceiling


def _counts(state: TrimState, reading: Reading) -> bool:
    newer = state.last is None or reading.time > state.last.time
    known = reading.usable and reading.unit == state.goal.unit and math.isfinite(reading.value or 0.0)
    return state.linked and known and newer and _fresh(reading, state.goal, state.now)


def _fresh(reading: Reading | None, goal: Goal, now: float) -> bool:
    return reading is not None and 0.0 <= reading.age(now) <= goal.stale_after


def _held(goal: Goal, hold: tuple[Reading, ...], reading: Reading) -> tuple[Reading, ...]:
    value = _value(reading)
    if not goal.low <= value <= goal.high:
        return ()
    if hold and reading.time - hold[-1].time > goal.stale_after:
        hold = ()
    hold = (*hold, reading)
    return hold if _steady(goal, hold) else (reading,)


def _steady(goal: Goal, hold: tuple[Reading, ...]) -> bool:
    values = [_value(r) for r in hold]
    return max(values) - min(values) <= (goal.high - goal.low) / 2.0


def _complete(goal: Goal, hold: tuple[Reading, ...]) -> bool:
    return len(hold) >= 2 and hold[-1].time - hold[0].time >= goal.hold


def _accepted(state: TrimState) -> tuple[TrimState, tuple[TrimEffect, ...]]:
    values = [_value(r) for r in state.hold]
    mean = math.fsum(values) / len(values)
    effect = Accepted(mean, min(values), max(values), len(values), state.now)
    ended = replace(state, cue=Cue.ACCEPTED)
    return ended, (effect, Cued(Cue.ACCEPTED, state.goal.target - mean))


def _recued(state: TrimState, before: Cue, busy: bool = False) -> tuple[TrimState, tuple[TrimEffect, ...]]:
    cue = Cue.QUIET if busy and state.linked else _cue(state)
    state = replace(state, cue=cue)
    if cue is before:
        return state, ()
    distance = None if state.last is None else state.goal.target - _value(state.last)
    return state, (Cued(cue, distance),)


def _cue(state: TrimState) -> Cue:
    goal = state.goal
    if not state.linked:
        return Cue.LOST
    if state.last is None or not _fresh(state.last, goal, state.now):
        return Cue.QUIET if state.cue is Cue.QUIET else Cue.WAIT
    value = _value(state.last)
    if goal.low <= value <= goal.high:
        return Cue.GOOD
    near = abs(goal.target - value) <= 2.0 * (goal.high - goal.low)
    if value < goal.target:
        return Cue.SLOW_UP if near else Cue.UP
    return Cue.SLOW_DOWN if near else Cue.DOWN


def _value(reading: Reading) -> float:
    assert reading.value is not None  # only usable readings are kept
    return reading.value
