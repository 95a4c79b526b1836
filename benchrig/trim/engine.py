"""The trim engine: readings in, cues for the hands out. Pure: no clock, no I/O; time comes with each event.

A trim goes in stretches: turn, stop, let the reading catch up, look, turn again; and when the reading stands inside
the window with the hands off, hold.

Rules it keeps:
- A reading counts only if it is usable, fresh, newer than the one before, finite and in the goal's unit.
- A setting is accepted only by a reading, never by time alone: every reading over `goal.hold` seconds counted, stood
  inside the window and showed no movement, and their mean is inside by three of its standard deviations.
- A number above the ceiling, whatever its flags, ends the trim at once. So does overload where there is a ceiling.
- Once ended, by acceptance or by the ceiling, only `Restart` begins again.
- `view` at a later time than the last event shows what that time changes: "stop" is due, a reading has grown stale.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass, replace

from ..readings import Flag, Reading
from . import estimate as est
from .estimate import value_of
from .moves import BRIEF, LONGEST, REACTION, Move, Pace, learn, stop_time
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
    Tick,
    TrimEffect,
    TrimEvent,
    TrimView,
    Turned,
)

_ENDED = frozenset({Cue.ACCEPTED, Cue.CEILING})
_KEPT = 40  # readings of one hold or one stretch that are remembered
_FAULT_SHOWN = 3.0  # s
_ASSUMED_RATIO = 16.0  # window over noise, before any noise was seen
_STILL_AFTER = 0.2  # s after a cue in which no hand has begun to move
Stepped = tuple["TrimState", tuple[TrimEffect, ...]]


class Phase(enum.Enum):
    LOOK = "look"  # hands off: is it in?
    MOVE = "move"
    CATCH = "catch up"  # told to stop; the reading does not show the whole turn yet
    ENDED = "ended"


@dataclass(frozen=True, slots=True)
class TrimState:
    """Everything the engine knows. Made by `start`, changed only by `step`.

    still   the readings since the hands were last seen to rest; `hold` its newest part that is inside and unbroken
    shown   the readings since the present stretch of turning began
    """

    goal: Goal
    known: Known
    now: float
    cue: Cue = Cue.WAIT
    phase: Phase = Phase.LOOK
    linked: bool = True
    busy: bool = False  # the newest reading fell outside the quiet phase
    last: Reading | None = None  # newest reading that counted
    still: tuple[Reading, ...] = ()
    hold: tuple[Reading, ...] = ()
    shown: tuple[Reading, ...] = ()
    differences: tuple[float, ...] = ()
    move: Move | None = None
    bold: Pace | None = None
    slow: Pace | None = None
    idle: float = 0.0  # seconds of turning since anything was seen to move
    dead: float = 0.0  # seconds of the last stretch, if it moved nothing
    moved: float = 0.0  # way of the last movement seen: +1, -1, 0 for none yet
    fault: Cue | None = None
    fault_until: float = -math.inf
    scratchy: bool = False

    @property
    def sigma(self) -> float:
        """Standard deviation of one reading with the hands off."""
        assumed = self.known.noise or _window(self.goal) / _ASSUMED_RATIO
        return est.noise(self.differences, self.step, assumed)

    @property
    def step(self) -> float:
        """One count of the display."""
        return (self.last.resolution if self.last else None) or 0.0

    @property
    def threshold(self) -> float:
        """The least change of the value that is a movement."""
        return max(4.0 * self.sigma, 2.0 * self.step, (self.goal.high - self.goal.low) / 50.0)


def start(goal: Goal, now: float, known: Known | None = None) -> TrimState:
    """A trim that has seen nothing yet. `known` is what an earlier trim of the same trimmer `learned`."""
    return TrimState(goal, known or Known(), now)


def learned(state: TrimState) -> Known:
    """What to remember of this trimmer for the next time."""
    return replace(state.known, noise=state.sigma if state.differences else state.known.noise)


def step(state: TrimState, event: TrimEvent) -> Stepped:
    """One event. The effects come in the order in which they should be carried out."""
    before = state.cue
    state = replace(state, now=max(state.now, event.now))
    if isinstance(event, Restart):
        return _recue(replace(start(state.goal, state.now, learned(state)), linked=state.linked), before)
    if isinstance(event, Measured):
        return _measured(state, event.reading)
    if state.phase is Phase.ENDED:
        return state, ()
    if isinstance(event, Turned):
        state = _told_way(state, event)
    elif not isinstance(event, Tick):
        state = _interrupted(replace(state, linked=isinstance(event, LinkUp)))
    return _recue(_stop_if_due(state), before)


def view(state: TrimState, now: float) -> TrimView:
    """What a gauge, a tone or a simulated person can see at `now`."""
    goal = state.goal
    now = max(now, state.now)
    value = None if state.last is None else value_of(state.last)
    cue = _cue(state, now)
    return TrimView(
        value=value,
        distance=None if value is None else goal.target - value,
        cue=cue,
        held=_held(state),
        position=None if value is None else position(goal, value),
        edges=(position(goal, goal.low), position(goal, goal.high)),
        stale=not est.fresh(state.last, goal, now),
        hint=_hint(state),
    )


def position(goal: Goal, value: float) -> float:
    """Where `value` stands on the bar, -1..+1: straight over the middle third per side, drawn together beyond."""
    half = max(goal.high - goal.target, goal.target - goal.low, 1e-300)
    away = (value - goal.target) / half
    size = abs(away)
    if size <= 1.0:
        return away / 3.0
    bar = 1.0 - 2.0 / (3.0 + math.log(size)) if math.isfinite(size) else 1.0
    return math.copysign(bar, away)


# Readings


def _measured(state: TrimState, reading: Reading) -> Stepped:
    before = state.cue
    if state.cue is Cue.CEILING:
        return state, ()
    if _above_ceiling(state.goal, reading):
        value = None if reading.flags & Flag.OVERLOAD else reading.value
        ended = replace(state, cue=Cue.CEILING, phase=Phase.ENDED, hold=())
        return ended, (CeilingPassed(value, state.now), Cued(Cue.CEILING, None))
    if state.phase is Phase.ENDED:
        return state, ()
    newer = state.last is None or reading.time > state.last.time
    if not (state.linked and newer and est.counts(reading, state.goal, state.now)):
        state = replace(state, hold=(), still=(), busy=bool(reading.flags & Flag.BUSY))
        return _recue(_stop_if_due(state), before)
    state = _seen(state, reading)
    if _complete(state):
        return _accept(state)
    return _recue(state, before)


def _above_ceiling(goal: Goal, reading: Reading) -> bool:
    if goal.ceiling is None or reading.unit != goal.unit:
        return False
    above = reading.value is not None and abs(reading.value) > goal.ceiling
    return above or bool(reading.flags & Flag.OVERLOAD)


def _seen(state: TrimState, reading: Reading) -> TrimState:
    """A reading that counts."""
    state = _broken(state, reading)
    state = replace(state, last=reading, busy=False)
    if state.phase is Phase.LOOK:
        return _look(_still(state, reading))
    state = replace(state, shown=(*state.shown, reading)[-_KEPT:])
    if state.phase is Phase.MOVE:
        return _moving(state)
    return _catching(state, reading)


def _broken(state: TrimState, reading: Reading) -> TrimState:
    """Forget the row of readings where this one does not join on: a gap, or another range."""
    gap = state.last is not None and reading.time - state.last.time > state.goal.stale_after
    if gap or reading.flags & Flag.RANGE_CHANGED:
        return replace(state, still=(), hold=(), shown=())
    return state


def _still(state: TrimState, reading: Reading) -> TrimState:
    """A reading with the hands off."""
    still = (*state.still, reading)[-_KEPT:]
    state = _noise_seen(state, est.second_difference(still))
    inside = state.goal.low <= value_of(reading) <= state.goal.high
    hold = (*state.hold, reading)[-_KEPT:] if inside else ()
    return replace(state, still=still, hold=hold)


def _noise_seen(state: TrimState, difference: float | None) -> TrimState:
    if difference is None:
        return state
    return replace(state, differences=(*state.differences, difference)[-est.KEPT :])


def _look(state: TrimState) -> TrimState:
    """Hands off: leave it if it is inside, look again if that is not sure, turn if it is out."""
    sigma = state.sigma
    if not est.steady(state.still, sigma, state.step, _window(state.goal)):
        newest = state.still[-1:]
        inside = state.goal.low <= value_of(newest[0]) <= state.goal.high
        state = replace(state, still=newest, hold=newest if inside else ())
    mean = math.fsum(value_of(r) for r in state.still) / len(state.still)
    error = 2.0 * sigma / math.sqrt(len(state.still))
    margin = _margin(state)
    outside = max(state.goal.low + margin - mean, mean - state.goal.high + margin)
    if outside > error or (outside > 0.0 and len(state.still) >= 4):
        return _turn(state, mean)
    return state


def _margin(state: TrimState) -> float:
    """How far inside the window a setting must be for its readings to stay inside."""
    return min(1.5 * state.sigma, _window(state.goal) / 3.0)


def _turn(state: TrimState, value: float) -> TrimState:
    """Begin a stretch of turning from `value`."""
    if state.now < state.fault_until:
        return state
    goal = state.goal
    way = 1.0 if value < goal.target else -1.0
    distance = abs(goal.target - value)
    slow = distance < 2.0 * _window(goal)
    if state.bold is not None:
        slow = distance / state.bold.expect(distance) < BRIEF
    reverse = state.move is not None and state.move.way != way
    move = Move(state.now, value, way, slow, reverse, state.now)
    until = stop_time(move, (), _pace(state, slow), goal, state.sigma, state.threshold)
    move = replace(move, until=max(until, state.now + max(0.25, 1.7 * state.dead)))
    return replace(state, phase=Phase.MOVE, move=move, shown=state.still[-1:], still=(), hold=(), fault=None)


def _pace(state: TrimState, slow: bool) -> Pace | None:
    if not slow:
        return state.bold
    if state.slow is None and state.bold is not None:
        return replace(state.bold, speed=state.bold.speed / 3.0)
    return state.slow


def _moving(state: TrimState) -> TrimState:
    """A reading while the cue says "turn"."""
    move, goal = _move(state), state.goal
    value = value_of(state.shown[-1])
    if state.shown[-1].time < move.began + _STILL_AFTER:
        state = _noise_seen(state, est.first_difference(state.shown))
    backwards = move.way * (value - move.start) < -2.0 * state.threshold
    margin = _margin(state)
    went = move.way * (value - move.start) > state.threshold
    if (went and goal.low + margin <= value <= goal.high - margin) or backwards:
        move = replace(move, until=min(move.until, state.now))
    elif state.now < move.until:
        until = stop_time(move, state.shown, _pace(state, move.slow), goal, state.sigma, state.threshold)
        move = replace(move, until=max(until, move.began + max(0.25, 1.7 * state.dead)))
        if abs(value - move.start) < state.threshold:
            move = replace(move, until=min(move.until, move.began + LONGEST))
    return _stop_if_due(replace(state, move=move))


def _stop_if_due(state: TrimState) -> TrimState:
    if state.phase is Phase.MOVE and state.now >= _move(state).until:
        return replace(state, phase=Phase.CATCH)
    return state


def _catching(state: TrimState, reading: Reading) -> TrimState:
    """A reading after "stop": does it show the whole turn?"""
    move = _move(state)
    began = reading.time - reading.aperture
    if began < move.until + REACTION + 0.05 + state.goal.settle:
        return state
    moved = move.way * (value_of(reading) - move.start)
    pace = learn(_pace(state, move.slow), move, moved, state.goal, state.threshold)
    state = replace(state, slow=pace) if move.slow else replace(state, bold=pace)
    if abs(moved) > state.threshold:
        state = replace(state, idle=0.0, dead=0.0, moved=math.copysign(move.way, moved * move.way))
    else:
        length = move.until - move.began
        state = replace(state, idle=state.idle + length, dead=length)
    state = replace(state, phase=Phase.LOOK, still=(), hold=())
    return _look(_still(state, reading))


def _interrupted(state: TrimState) -> TrimState:
    """The link went or came: nothing seen before is the present value."""
    return replace(state, phase=Phase.LOOK, last=None, still=(), hold=(), shown=(), move=None, busy=False)


def _told_way(state: TrimState, event: Turned) -> TrimState:
    if state.moved == 0.0:
        return state
    raises = event.way if state.moved > 0.0 else event.way.other
    return replace(state, known=replace(state.known, raises=raises))


# Acceptance


def _complete(state: TrimState) -> bool:
    hold = state.hold
    if state.phase is not Phase.LOOK or len(hold) < 2 or hold[-1].time - hold[0].time < state.goal.hold:
        return False
    return est.surely_inside(hold, state.sigma, len(state.differences), state.goal)


def _accept(state: TrimState) -> Stepped:
    values = [value_of(r) for r in state.hold]
    mean = math.fsum(values) / len(values)
    effect = Accepted(mean, min(values), max(values), len(values), state.now)
    ended = replace(state, cue=Cue.ACCEPTED, phase=Phase.ENDED)
    return ended, (effect, Cued(Cue.ACCEPTED, state.goal.target - mean))


# Cues


def _recue(state: TrimState, before: Cue) -> Stepped:
    cue = _cue(state, state.now)
    state = replace(state, cue=cue)
    if cue is before:
        return state, ()
    distance = None if state.last is None else state.goal.target - value_of(state.last)
    return state, (Cued(cue, distance),)


def _cue(state: TrimState, now: float) -> Cue:
    if state.phase is Phase.ENDED:
        return state.cue
    if not state.linked:
        return Cue.LOST
    if not est.fresh(state.last, state.goal, now):
        return Cue.QUIET if state.busy else Cue.WAIT
    if state.fault is not None and now < state.fault_until:
        return state.fault
    if state.phase is Phase.MOVE and now < _move(state).until:
        return _turn_cue(_move(state))
    inside = state.last is not None and state.goal.low <= value_of(state.last) <= state.goal.high
    if inside or (state.phase is Phase.LOOK and state.still):
        return Cue.GOOD
    return Cue.STOP


def _turn_cue(move: Move) -> Cue:
    if move.reverse:
        return Cue.PASSED
    if move.slow:
        return Cue.SLOW_UP if move.way > 0.0 else Cue.SLOW_DOWN
    return Cue.UP if move.way > 0.0 else Cue.DOWN


def _held(state: TrimState) -> float:
    if state.cue is Cue.ACCEPTED:
        return 1.0
    if not state.hold or state.goal.hold <= 0.0:
        return 0.0
    return min(1.0, (state.hold[-1].time - state.hold[0].time) / state.goal.hold)


def _hint(state: TrimState) -> str:
    return ""


def _move(state: TrimState) -> Move:
    if state.move is None:
        raise ValueError("A stretch of turning without its beginning.")
    return state.move


def _window(goal: Goal) -> float:
    return goal.high - goal.low
