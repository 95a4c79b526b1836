"""The trim engine: readings in, cues for the hands out. Pure: no clock, no I/O; time comes with each event.

A trim goes in stretches: turn, stop, let the reading catch up, look, turn again; and when the reading stands inside
the window with the hands off, hold.

Rules it keeps:
- A reading counts only if it is usable, fresh, newer than the one before, finite and in the goal's unit.
- A setting is accepted only by a reading, never by time alone: every reading over `goal.hold` seconds counted, stood
  inside the window and showed no movement, and their mean is inside by three of its standard deviations. So is the
  mean of all readings since the hands came to rest: those outside are not left out because they are.
- What seems to creep out of the window is waited for, hands off, for a while; if it surely creeps on, the acceptance
  says so (`creep`).
- A number above the ceiling, whatever its flags, ends the trim at once. So does overload where there is a ceiling.
- Once ended, by acceptance or by the ceiling, only `Restart` begins again.
- `view` at a later time than the last event shows what that time changes: "stop" is due, a reading has grown stale.
"""

from __future__ import annotations

import math
from dataclasses import replace

from ..readings import Flag, Reading
from . import asking, creep, travel
from . import estimate as est
from .estimate import value_of
from .faults import jumps
from .holding import complete, noise_seen, rested
from .moves import BRIEF, LONGEST, REACTION, SHORTEST, HandMove, learn, stop_time
from .shown import BUSY, cue_of, told, view
from .state import TrimPhase, TrimState, learned, margin_of, move_of, pace_of, start, window_of
from .types import (
    Accepted,
    CeilingPassed,
    Cue,
    Cued,
    EndOfTravel,
    LinkDown,
    LinkUp,
    Measured,
    Restart,
    Tick,
    TrimEffect,
    TrimEvent,
    Turned,
)

__all__ = ["TrimState", "learned", "start", "step", "view"]

_SHOWN = 400  # readings of one stretch that are remembered
_BY_CHANCE = 0.001  # of the stretches in which noise alone may look like a jump
INNER = 1.0 / 6.0  # of the window, to each side of the target: its inner third, to which the hand is led
PLANNED = 1.5  # s: a shorter turn is planned as a whole, and no hand is stopped ahead of its end unasked
TURNS = 2.5 * REACTION  # s that a hand may go on after it was told the other way
OVERDUE = 2.0  # hold times for which it may stand inside and not be accepted, before it is led on to the target
AFTERWARDS = 100  # readings in which a creep is looked for once it is accepted
RESTS = 0.3  # s over which readings stand that come fast
LENGTHY = 1.0  # s still to turn slowly: then it is time to turn boldly
_STILL_AFTER = 0.2  # s after a cue in which no hand has begun to move
_WHY_NOT = {
    Flag.BUSY: BUSY,
    Flag.OVERLOAD: "overload",
    Flag.UNDERLOAD: "too small to measure",
    Flag.HOLD: "the meter holds its display",
    Flag.MINMAX: "the meter shows an extreme, not the present value",
    Flag.RELATIVE: "the meter subtracts an offset",
    Flag.CHANGED_AT_PANEL: "the meter was set otherwise at its panel",
    Flag.CLIPPED: "the waveform is clipped",
    Flag.UNSETTLED: "the instrument settles",
    Flag.WRONG_FUNCTION: "the meter's knob stands elsewhere",
    Flag.INVALID: "the meter shows no number",
}
Stepped = tuple[TrimState, tuple[TrimEffect, ...]]


def step(state: TrimState, event: TrimEvent) -> Stepped:
    """One event. The effects come in the order in which they should be carried out."""
    before = state.cue
    state = replace(state, now=max(state.now, event.now))
    if isinstance(event, Restart):
        fresh = replace(start(state.goal, state.now, learned(state)), linked=state.linked, since=state.now)
        return _recue(fresh, before)
    if isinstance(event, Measured):
        return _measured(state, event.reading)
    if isinstance(event, LinkDown | LinkUp):
        state = replace(state, linked=isinstance(event, LinkUp))
    if state.phase is TrimPhase.ENDED:
        return state, ()
    if isinstance(event, Turned):
        state = _told_way(state, event)
    elif not isinstance(event, Tick):
        state = _interrupted(state)
    return _recue(_stop_if_due(state), before)


def _measured(state: TrimState, reading: Reading) -> Stepped:
    before = state.cue
    if state.cue is Cue.CEILING:
        return state, ()
    if est.above(state.goal.ceiling, state.goal.unit, reading):
        ended = replace(state, cue=Cue.CEILING, phase=TrimPhase.ENDED, hold=())
        return ended, (CeilingPassed(est.shown_above(reading), state.now), Cued(Cue.CEILING, None))
    if state.phase is TrimPhase.ENDED:
        return _afterwards(state, reading), ()
    if not _counts(state, reading):
        state = replace(_halted(state, state.now), hold=(), still=(), creep=None, why_not=_why_not(state, reading))
        if state.ask is not None:
            state = replace(state, ask=replace(state.ask, hidden=True), shown=())
        return _recue(state, before)
    state = _seen(state, reading)
    if state.known.ends is not None:
        way = move_of(state).way if state.move else state.wall.way if state.wall else 0.0
        return state, (EndOfTravel(value_of(reading), way, state.now), Cued(Cue.END_STOP, None))
    if complete(state):
        return _accept(state)
    return _recue(state, before)


def _afterwards(state: TrimState, reading: Reading) -> TrimState:
    """After the acceptance: a value that surely creeps is told at once, with its time to the edge."""
    if state.cue is not Cue.ACCEPTED or not _counts(state, reading):
        return state
    rest = (*state.rest, reading)[-AFTERWARDS:]
    crept = creep.creeping(rest, state.goal.low, state.goal.high)
    return replace(state, last=reading, rest=rest, creep=crept)


def _counts(state: TrimState, reading: Reading) -> bool:
    newer = state.last is None or reading.time > state.last.time
    after = reading.time - reading.aperture >= state.since
    return state.linked and newer and after and est.counts(reading, state.goal, state.now)


def _halted(state: TrimState, when: float) -> TrimState:
    """Whatever stretch of turning runs ends at `when`."""
    if state.phase is not TrimPhase.MOVE:
        return state
    move = move_of(state)
    return replace(state, phase=TrimPhase.CATCH, move=replace(move, until=min(move.until, when)))


def _why_not(state: TrimState, reading: Reading) -> str:
    """Why a reading does not count, in a few words."""
    if reading.unit != state.goal.unit:
        return f"the meter reads {reading.unit}, not {state.goal.unit}"
    for flag, words in _WHY_NOT.items():
        if reading.flags & flag:
            return words
    return "the reading is old" if state.linked else ""


def _seen(state: TrimState, reading: Reading) -> TrimState:
    """A reading that counts."""
    state = _broken(state, reading)
    state = replace(_paced(state, reading), last=reading, why_not="")
    if state.phase is TrimPhase.LOOK:
        return _look(state, reading)
    state = replace(state, shown=(*state.shown, reading)[-_SHOWN:])
    if state.phase is TrimPhase.ASKED:
        before, state = state, asking.seen(state, reading)
        if state.known.ends is not None:
            return replace(state, cue=Cue.END_STOP, phase=TrimPhase.ENDED, hold=())
        return _look(_scratchy(state, before), reading) if state.phase is TrimPhase.LOOK else state
    if state.phase is TrimPhase.MOVE:
        return _moving(state)
    return _catching(state, reading)


def _paced(state: TrimState, reading: Reading) -> TrimState:
    """How fast the readings come: the shorter of two intervals, so that one that was lost does not count."""
    if state.last is None:
        return state
    newest = reading.time - state.last.time
    return replace(state, interval=newest, period=min(newest, state.interval or newest))


def _broken(state: TrimState, reading: Reading) -> TrimState:
    """Forget the row of readings where this one does not join on: a gap, or another range."""
    goal = state.goal
    gap = state.last is not None and reading.time - state.last.time > goal.stale_after
    if gap and state.last is not None:
        state = _halted(state, state.last.time + goal.stale_after)
    if gap or reading.flags & Flag.RANGE_CHANGED:
        return replace(state, still=(), hold=(), shown=())
    return state


def _look(state: TrimState, reading: Reading) -> TrimState:
    """Hands off: leave it if it is inside, look again if that is not sure, turn if it is out."""
    state = rested(state, reading)
    sigma = state.sigma
    mean = math.fsum(value_of(r) for r in state.still) / len(state.still)
    error = 2.0 * sigma / math.sqrt(len(state.still))
    margin = margin_of(state)
    outside = max(state.goal.low + margin - mean, mean - state.goal.high + margin)
    if outside > error or (outside > 0.0 and len(state.still) >= 4):
        return _turn(state, mean)
    low, high = state.extremes
    stands = state.creep is None and high - low < max(window_of(state.goal) / 4.0, 8.0 * sigma)
    overdue = reading.time - state.looked > OVERDUE * state.goal.hold + 1.0
    if stands and overdue and abs(state.goal.target - mean) > window_of(state.goal) * INNER:
        return _turn(state, mean)
    return state


def _turn(state: TrimState, value: float) -> TrimState:
    """Begin a stretch of turning from `value`."""
    if state.now < state.fault_until:
        return state
    if asking.wanted(state, abs(goal_distance(state, value))):
        return asking.begin(state, value)
    goal = state.goal
    way = 1.0 if value < goal.target else -1.0
    back_off = travel.backs_off(state, way, value)
    way = -way if back_off else way
    distance = abs(goal.target - value)
    slow = back_off or _slowly(state, distance)
    reverse = state.move is not None and state.move.way != way and not (back_off or state.move.back_off)
    brief = (asking.turning_time(state, distance) or LONGEST) < PLANNED
    move = HandMove(state.now, value, way, slow, reverse, state.now, back_off=back_off, brief=brief)
    move = replace(move, until=_until(replace(state, shown=()), move))
    state = replace(state, creep=None, looked=math.inf, fault=None)
    return replace(state, phase=TrimPhase.MOVE, move=move, shown=state.still[-1:], still=(), hold=())


def goal_distance(state: TrimState, value: float) -> float:
    return state.goal.target - value


def _slowly(state: TrimState, distance: float) -> bool:
    """True where bold turning would be over too soon to be stopped in time."""
    if state.bold is not None:
        return distance / state.bold.expect(distance) < BRIEF
    if state.slow is not None:
        return distance / state.slow.boldly().expect(distance) < BRIEF
    return distance < window_of(state.goal)


def _moving(state: TrimState) -> TrimState:
    """A reading while the cue says "turn": put the stop where this reading says it should be."""
    move = move_of(state)
    newest = state.shown[-1]
    if newest.time < move.began + _STILL_AFTER:
        state = noise_seen(state, est.first_difference(state.shown))
    before = state.known.raises
    if newest.time - newest.aperture < move.judged_from:  # the hand may still go on as it did before
        farthest = min(move.way * move.start, move.way * value_of(newest)) * move.way
        move = replace(move, start=farthest)
        state = replace(state, move=move)
    else:
        state = _way_seen(travel.cleared(state), move, value_of(newest))
    if state.known.raises is not before and move.way * (value_of(newest) - move.start) < 0.0 and not move.back_off:
        return _other_way(state, value_of(newest))
    if travel.is_end(state):
        known = replace(state.known, ends=value_of(newest))
        return replace(state, cue=Cue.END_STOP, phase=TrimPhase.ENDED, hold=(), known=known)
    if travel.backed_off(state) or (not move.back_off and _arrived(state, move, value_of(newest))):
        return _halted(state, state.now)
    if not move.back_off and travel.stuck(state):
        return _halted(travel.suspected(replace(state, move=replace(move, stuck=True))), state.now)
    if state.now < move.until:
        until = _until(state, move)
        state = replace(state, move=replace(move, until=until, slow=move.slow and not _lengthy(state, until)))
    return _stop_if_due(state)


def _lengthy(state: TrimState, until: float) -> bool:
    """It moves, and slowly it would still take long."""
    move, here = move_of(state), value_of(state.shown[-1])
    left = move.way * (state.goal.target - here)
    moves = move.way * (here - move.start) > 2.0 * state.threshold
    return moves and left > window_of(state.goal) and until - state.now > LENGTHY


def _arrived(state: TrimState, move: HandMove, value: float) -> bool:
    """In the inner third of the window, or past it, or clearly going the wrong way."""
    goal = state.goal
    moved, left = move.way * (value - move.start), move.way * (goal.target - value)
    return moved < -2.0 * state.threshold or (left <= window_of(goal) * INNER and moved > state.threshold)


def _until(state: TrimState, move: HandMove) -> float:
    if move.back_off or (asking.fast(state) and not state.leads and move.brief):
        return math.inf
    if asking.fast(state) and state.goal.counted is None and not travel.moves(state):
        return math.inf  # idle hands need no stop, and the readings will show it when they turn
    pace = pace_of(state, move.slow)
    until = stop_time(move, state.shown, pace, state.goal, state.sigma, state.threshold)
    least = LONGEST if state.wall is not None and state.wall.way == move.way else SHORTEST
    return max(until, move.began + max(least, 1.7 * state.dead))


def _stop_if_due(state: TrimState) -> TrimState:
    if state.phase is TrimPhase.MOVE and state.now >= move_of(state).until:
        return replace(state, phase=TrimPhase.CATCH)
    return state


def _catching(state: TrimState, reading: Reading) -> TrimState:
    """A reading after "stop": does it show the whole turn?"""
    move = move_of(state)
    began = reading.time - reading.aperture
    if began < move.until + REACTION + 0.05 + state.goal.settle and not _rests(state):
        return state
    knows = state.moved > 0.0
    state = _way_seen(state, move, value_of(reading))
    moved = move.way * (value_of(reading) - move.start)
    past = moved - move.way * (state.goal.target - move.start)
    if asking.fast(state) and past > window_of(state.goal) / 2.0:
        state = replace(state, leads=True)
    if not (move.stuck or move.back_off):
        pace = learn(pace_of(state, move.slow), move, moved, state.goal, state.threshold)
        state = replace(state, slow=pace) if move.slow else replace(state, bold=pace)
    if abs(moved) > state.threshold:
        went = math.copysign(1.0, moved) * move.way
        state = replace(state, idle=0.0, dead=0.0, moved=went, wrong_way=moved < 0.0)
    else:
        length = move.until - move.began
        state = replace(state, idle=state.idle + length, dead=length)
    state = _look_for_faults(state, move, knows)
    return _look(replace(state, phase=TrimPhase.LOOK, still=(), hold=()), reading)


def _other_way(state: TrimState, value: float) -> TrimState:
    """The hand goes the wrong way, and by now the right one is known: it is told at once, without a stop between."""
    move = replace(
        move_of(state), began=state.now, start=value, reverse=False, judged_from=state.now + TURNS + asking.lag(state)
    )
    move = replace(move, until=_until(replace(state, shown=()), move))
    return replace(state, move=move, shown=state.shown[-1:])


def _way_seen(state: TrimState, move: HandMove, value: float) -> TrimState:
    """Which way raises the reading, from the way that was said and the one in which it went."""
    rise = value - move.start
    if abs(rise) <= 2.0 * state.threshold or move.back_off:
        return state
    said = told(state, move)
    raises = said if rise > 0.0 else said.other
    if raises is state.known.raises:
        return state
    return replace(state, known=replace(state.known, raises=raises, gain=None))


def _rests(state: TrimState) -> bool:
    """Readings that come fast show that the hand has let go already."""
    return asking.fast(state) and est.rests(state.shown, state.sigma, state.step, window_of(state.goal), RESTS)


def _look_for_faults(state: TrimState, move: HandMove, knows: bool) -> TrimState:
    """After a stretch: did the wiper jump, or has nothing moved for a long time?"""
    window = window_of(state.goal)
    values = [value_of(r) for r in state.shown]
    if not state.known.scratchy and jumps(values, move.way, _swing(state), knows=knows):
        state = replace(state, known=replace(state.known, scratchy=True))
        return _fault(state, Cue.JUMPS)
    if state.idle >= LONGEST and not move.back_off and abs(state.goal.target - move.start) > window:
        return travel.suspected(replace(state, dead=0.0))
    return state


def _scratchy(state: TrimState, before: TrimState) -> TrimState:
    """After a counted turn: did the wiper jump?"""
    moved = before.ask.moved_at if before.ask else None
    since = state.now if moved is None else moved - 1.5 * state.period  # from the reading before it
    values = [value_of(r) for r in state.shown if r.time >= since]
    if state.known.scratchy or len(values) < 3:
        return state
    if not jumps(values, math.copysign(1.0, values[-1] - values[0]), _swing(state), knows=True):
        return state
    return _fault(replace(state, known=replace(state.known, scratchy=True)), Cue.JUMPS)


def _swing(state: TrimState) -> float:
    """How far the readings must swing back before noise is no excuse: by chance in one stretch of a thousand.

    The difference of two spreads by sqrt 2 sigma, and a normal tail beyond z is below exp(-z^2 / 2) / 2, for each
    reading. Noise that few readings have shown may be greater, but is not taken for more than a window can live with.
    """
    window = window_of(state.goal)
    sigma = min(est.widened(state.sigma, state.free), max(state.sigma, window / 12.0))
    return max(
        2.0 * sigma * math.sqrt(math.log(len(state.shown) / (2.0 * _BY_CHANCE))), 2.0 * state.step, window / 20.0
    )


def _fault(state: TrimState, cue: Cue) -> TrimState:
    return replace(state, fault=cue, fault_until=state.now + asking.FAULT_SHOWN)


def _interrupted(state: TrimState) -> TrimState:
    """The link went or came: nothing seen before is the present value."""
    return replace(
        state,
        phase=TrimPhase.LOOK,
        since=state.now,
        last=None,
        still=(),
        hold=(),
        shown=(),
        move=None,
        ask=None,
        why_not="",
        creep=None,
        looked=math.inf,
    )


def _told_way(state: TrimState, event: Turned) -> TrimState:
    """Which way the last movement was turned; and where nothing has moved for long, that it was turned in vain."""
    if state.phase is TrimPhase.ASKED:
        return asking.told(state, event.way)
    if state.move is not None and state.phase is not TrimPhase.LOOK:
        idle = state.idle + min(state.now, state.move.until) - state.move.began
        state = replace(state, move=replace(state.move, told=True))
        if state.moved == 0.0 and idle >= travel.SUSPECTED and not travel.moves(state):
            return _fault(state, Cue.DEAD)
    if state.moved == 0.0 or event.way is None:
        return state
    raises = event.way if state.moved > 0.0 else event.way.other
    return replace(state, known=replace(state.known, raises=raises))


def _accept(state: TrimState) -> Stepped:
    values = [value_of(r) for r in state.hold]
    mean = min(max(math.fsum(values) / len(values), min(values)), max(values))  # rounding may not leave their range
    goal = state.goal
    crept = creep.creeping(state.rest, goal.low, goal.high) if creep.waited(state.rest, goal.hold) else None
    effect = Accepted(mean, min(values), max(values), len(values), state.now, crept)
    ended = replace(state, cue=Cue.ACCEPTED, phase=TrimPhase.ENDED)
    return ended, (effect, Cued(Cue.ACCEPTED, state.goal.target - mean))


def _recue(state: TrimState, before: Cue) -> Stepped:
    cue = cue_of(state, state.now)
    state = replace(state, cue=cue)
    if cue is before:
        return state, ()
    distance = None if state.last is None else state.goal.target - value_of(state.last)
    return state, (Cued(cue, distance),)
