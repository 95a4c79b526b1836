"""The end of a trimmer's travel, told from a hand that turns without effect. Pure.

The engine sees no hand. A reading that stands while the cue says "turn" may be a trimmer at its stop, or hands that
have been called away. Told apart by motion: the cue asks to turn back a little, and then on again; a reading that
follows both ways and comes to stand at the same value is at the end. Idle hands follow neither.

Rules it keeps:
- An end is found only in a stretch that moved its way and then stood where one before it had stood (`SURE` seconds).
- The first standing is no more than suspected (`SUSPECTED` seconds where the stretch had moved, else `LONGEST`).
- A reading beyond the suspected end clears the suspicion.
- The person's word that the tool was turned counts for motion.
"""

from __future__ import annotations

import math
from dataclasses import replace

from .estimate import value_of
from .moves import LONGEST, Wall
from .state import TrimState, move_of

SUSPECTED = 2.5  # s
SURE = 1.2
BACK_OFF = 6.0  # thresholds: so far back that the way on shows as a movement


def stands(state: TrimState, seconds: float) -> bool:
    """The readings of the last `seconds` show no movement: of their halves, the means are as near as noise lets."""
    newest = state.shown[-1]
    row = [it for it in state.shown if it.time >= newest.time - seconds]
    if newest.time - state.shown[0].time < seconds or len(row) < 2:
        return False
    half = len(row) // 2
    first, second = row[:half], row[half:]
    means = [math.fsum(value_of(it) for it in part) / len(part) for part in (first, second)]
    return abs(means[1] - means[0]) < state.threshold / 2.0


def went(state: TrimState) -> bool:
    """This stretch has moved its way, or the person says that the tool was turned."""
    move = move_of(state)
    return move.told or move.way * (value_of(state.shown[-1]) - move.start) > state.threshold


def moves(state: TrimState) -> bool:
    """Something moves in this stretch, whichever way."""
    return bool(state.shown) and abs(value_of(state.shown[-1]) - move_of(state).start) > state.threshold


def at_wall(state: TrimState) -> bool:
    """This stretch goes to the suspected end, and stands there now."""
    wall, move = state.wall, move_of(state)
    if wall is None or wall.way != move.way:
        return False
    return abs(value_of(state.shown[-1]) - wall.value) <= 2.0 * state.threshold


def is_end(state: TrimState) -> bool:
    return at_wall(state) and went(state) and stands(state, SURE)


def stuck(state: TrimState) -> bool:
    """The cue has said "turn" for long, and nothing moves any more."""
    return stands(state, SUSPECTED if went(state) else LONGEST)


def suspected(state: TrimState) -> TrimState:
    """A stretch that stood for long: its end is suspected where it stands, unless it was itself a turn back."""
    move = move_of(state)
    if move.back_off:
        return state
    return replace(state, wall=Wall(move.way, value_of(state.shown[-1])))


def cleared(state: TrimState) -> TrimState:
    """Without the suspicion, where the newest reading lies beyond the suspected end."""
    wall = state.wall
    beyond = wall is not None and wall.way * (value_of(state.shown[-1]) - wall.value) > 2.0 * state.threshold
    return replace(state, wall=None) if beyond else state


def backs_off(state: TrimState, way: float, value: float) -> bool:
    """The next stretch, wanted `way` from `value`, is first to go back a little: it stands at the suspected end."""
    wall = state.wall
    if wall is None or wall.way != way:
        return False
    return abs(wall.value - value) < BACK_OFF / 2.0 * state.threshold


def backed_off(state: TrimState) -> bool:
    """A stretch back from the suspected end has gone far enough."""
    move = move_of(state)
    return move.back_off and abs(value_of(state.shown[-1]) - move.start) > BACK_OFF * state.threshold
