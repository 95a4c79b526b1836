"""The rows of readings with the hands off: what a hold is made of, and how long a creep is looked for. Pure."""

from __future__ import annotations

import math
from dataclasses import replace

from ..readings import Reading
from . import creep
from . import estimate as est
from .estimate import value_of
from .state import TrimPhase, TrimState, window_of
from .types import Creep, Goal

_KEPT = 50  # readings of one row that are remembered, and all that are younger than two hold times


def rested(state: TrimState, reading: Reading) -> TrimState:
    """A reading with the hands off joins its row, or begins a new one where the row shows a movement."""
    row = newest((*state.still, reading), state.goal)
    resting = est.steady(row, state.sigma, state.step, window_of(state.goal))
    state = noise_seen(state, est.second_difference(row))
    still, held = (row, state.hold) if resting else ((reading,), ())
    inside = state.goal.low <= value_of(reading) <= state.goal.high
    hold = newest((*held, reading), state.goal) if inside else ()
    state = _looked(replace(state, still=still, hold=hold, resting=resting), reading, begins=not state.still)
    return replace(state, creep=_suspected(state) if _held(state) else None)


def _looked(state: TrimState, reading: Reading, *, begins: bool) -> TrimState:
    """The rows that go back beyond the hold time, to the last leap of the reading, and to the last turn.

    What moves slowly may break the row of a hold again and again: here it goes on, and shows as the creep that it is.
    """
    rest = (*state.rest, reading)
    if begins or est.leaps(rest[-2:], state.sigma, state.step, window_of(state.goal)):
        rest = (reading,)
    if creep.waited(rest[1:], state.goal.hold):
        rest = rest[1:]
    value = value_of(reading)
    if math.isinf(state.looked):
        return replace(state, rest=rest, looked=reading.time, extremes=(value, value))
    low, high = state.extremes
    return replace(state, rest=rest, extremes=(min(low, value), max(high, value)))


def _suspected(state: TrimState) -> Creep | None:
    """What is still to be waited for, because the reading may be creeping out of the window."""
    goal = state.goal
    return None if creep.waited(state.rest, goal.hold) else creep.suspected(state.rest, goal.low, goal.high)


def newest(row: tuple[Reading, ...], goal: Goal) -> tuple[Reading, ...]:
    """`row` without what is too old to matter, one reading at a time."""
    young = row[-1].time - row[0].time <= 2.0 * goal.hold
    return row if young or len(row) <= _KEPT else row[1:]


def noise_seen(state: TrimState, difference: float | None) -> TrimState:
    if difference is None:
        return state
    return replace(state, differences=(*state.differences, difference)[-est.KEPT :])


def _held(state: TrimState) -> bool:
    """It was inside all through the hold time."""
    hold = state.hold
    return state.phase is TrimPhase.LOOK and len(hold) > 1 and hold[-1].time - hold[0].time >= state.goal.hold


def complete(state: TrimState) -> bool:
    if not _held(state) or state.creep is not None:
        return False
    rows = (state.hold, state.still)
    return all(est.surely_inside(row, state.sigma, state.free, state.goal) for row in rows)
