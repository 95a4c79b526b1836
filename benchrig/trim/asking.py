"""Counted turns within a trim: ask for a stated part of a turn, see it made in the readings, ask for the next.

The person looks once, turns that far and lets go; no key is needed. A turn is made when the reading has moved and
shows the whole of it: two readings agree, or one began when even a slow hand must have finished. The keys for a turn,
or Enter, say so sooner.

Rules it keeps:
- While a turn is asked for, nothing else is; idle hands are asked for the same turn for as long as they like.
- What an asked turn did teaches the gain and the play (`counted`), and which way raises the reading.
"""

from __future__ import annotations

import math
from dataclasses import replace

from ..readings import Reading
from . import counted, travel
from . import estimate as est
from .estimate import value_of
from .holding import noise_seen, rested
from .moves import Ask, Wall
from .state import TrimPhase, TrimState, window_of
from .types import Cue, Goal, Way

STARTS = 0.3  # s from seeing a turn begin to the end of the smallest one
SPEED, SPEED_MULTI = 120.0, 360.0  # degrees/s of a slow hand, on a screw of one turn and of several
FAULT_SHOWN = 3.0  # s
SHORT = 0.35  # of what a turn should have done: less than that, and it may have ended at the end of the travel
SMALL = 6.0  # least changes: a turn that should do less may have been lost
CREEPS = 0.1  # of what the turn should do, up to a window
BACK_OFF_FOR = 12.0  # s for which a turn back is asked for where nothing moves
STUBBORN = 2.0  # s more, after which one that should have shown is asked for again
AGAIN = 2  # times
UNSEEN = 1.3  # s after which a turn that need not show is taken for made
SOONEST = 0.4  # s after an asking in which nobody can have turned
AGREE = 0.3  # s, at least, over which readings agree
LAG = 0.36  # s from a movement to its reading, up to which a hand follows the reading
FOLLOWED = 6.0  # lags: a turn that takes longer is followed by the reading, a shorter one is counted


def begin(state: TrimState, value: float) -> TrimState:
    """Ask for the next turn, from a settled `value`."""
    learner = counted.settled(state.learner or learner_of(state), value)
    degrees = counted.ask(learner, state.goal.target)
    assert degrees is not None
    if state.wall is not None and learner.gain and _leads_to(state.wall, learner, degrees, value, state.threshold):
        ask = Ask(degrees, state.now, value)
        return _back_off(replace(_asked(state, learner, ask), asks=state.asks), value)
    return _asked(state, learner, Ask(degrees, state.now, value, reverses=learner.way * degrees < 0.0))


def _leads_to(wall: Wall, learner: counted.Counted, degrees: float, value: float, threshold: float) -> bool:
    """The turn goes to the suspected end from where that is near."""
    towards = wall.way * degrees * (learner.gain or 0.0) > 0.0
    return towards and abs(value - wall.value) < travel.BACK_OFF / 2.0 * threshold


def _asked(state: TrimState, learner: counted.Counted, ask: Ask) -> TrimState:
    return replace(
        state, phase=TrimPhase.ASKED, learner=learner, ask=ask, shown=state.still[-1:],
        asks=state.asks + 1, still=(), hold=(), creep=None, looked=math.inf, fault=None,
    )  # fmt: skip


def learner_of(state: TrimState) -> counted.Counted:
    """What is known of the screw; of its gain, before it was seen, what the whole travel does, or a usual hand."""
    known, goal = state.known, state.goal
    guess = abs(goal.span) / goal.travel if goal.span else state.bold.speed / speed_of(goal) if state.bold else None
    sense = {Way.CLOCKWISE: 1.0, Way.COUNTER_CLOCKWISE: -1.0, None: None}[known.raises]
    if known.gain is None and guess is not None and sense is not None:
        return counted.guessed(goal, sense * guess, known.play)
    return counted.start(goal, gain=known.gain, play=known.play)


def seen(state: TrimState, reading: Reading) -> TrimState:
    """A reading while a turn is asked for; the phase is LOOK where it shows the whole turn."""
    ask = state.ask
    assert ask is not None
    began = reading.time - reading.aperture
    if ask.made is not None:
        return _made(state, value_of(reading)) if began >= ask.made + state.goal.settle else state
    moved = abs(value_of(reading) - ask.value) > max(least(state), _creeps(state))
    if ask.hidden and not moved and len(state.shown) > 1:  # it stands where it stood: it was not made meanwhile
        return replace(state, ask=replace(ask, hidden=False, since=state.now))
    waited = began - ask.since - UNSEEN - lag(state)
    if not moved and ask.back_off and waited > BACK_OFF_FOR:  # nothing comes of that either: what was wanted, then
        return replace(state, phase=TrimPhase.LOOK, ask=None, wall=None, vain=AGAIN, still=(), hold=())
    if not moved and waited > STUBBORN and not ask.back_off:
        small = state.vain < AGAIN and _should(state) < SMALL * least(state)
        return _again(state) if small else _back_off(state, value_of(reading))
    if not moved and _too_small(state) and began >= ask.since + UNSEEN + lag(state):
        return _made(state, value_of(reading))
    if not moved:
        if ask.moved_at is None and len(state.shown) > 1:
            state = noise_seen(state, est.first_difference(state.shown))
        return replace(state, ask=replace(ask, moved_at=None))
    state = replace(state, vain=0)
    if ask.moved_at is None:
        left = _left(state, value_of(reading))
        whole_at, likely_at = reading.time + left, reading.time - reading.aperture + left / 2.0
        return replace(state, ask=replace(ask, moved_at=reading.time, whole_at=whole_at, likely_at=likely_at))
    if began >= ask.whole_at + state.goal.settle or (began >= ask.likely_at + state.goal.settle and _agree(state)):
        return _made(state, value_of(reading))
    return state


def _left(state: TrimState, value: float) -> float:
    """Seconds that the turn may still last when it first shows: a slow hand's, for the part that does not show yet."""
    ask, learner = state.ask, state.learner
    assert ask is not None
    assert learner is not None
    lasts = STARTS + abs(ask.degrees) / speed_of(state.goal)
    part = abs((value - ask.value) / (learner.gain * ask.degrees)) if learner.gain else 0.5
    return lasts * max(0.0, 1.0 - part)


def _again(state: TrimState) -> TrimState:
    """Nothing has moved: a dry screw, or play, has taken what was turned, or nobody was there. The same again."""
    ask = state.ask
    assert ask is not None
    return replace(state, ask=replace(ask, since=state.now), asks=state.asks + 1, vain=state.vain + 1)


def _creeps(state: TrimState) -> float:
    """What the turn before may still do to the reading; far less than this one."""
    should = _should(state)
    return min(CREEPS * should, window_of(state.goal)) if math.isfinite(should) else 0.0


def _should(state: TrimState) -> float:
    """What the asked turn should do to the reading, without what the play may take; infinite where nothing is known."""
    ask, learner = state.ask, state.learner
    assert ask is not None
    assert learner is not None
    if not learner.gain:
        return math.inf
    return abs(learner.gain) * max(0.0, abs(ask.degrees) - (1.5 * learner.play if ask.reverses else 0.0))


def least(state: TrimState) -> float:
    """The least change of the reading that is a movement, with an eye to how well the noise is known."""
    sigma = est.widened(state.sigma, state.free)
    return max(state.threshold, min(4.0 * sigma, window_of(state.goal) / 3.0))


def _too_small(state: TrimState) -> bool:
    """What is asked for may do no more than the noise, or be lost in the play."""
    ask, learner = state.ask, state.learner
    assert ask is not None
    assert learner is not None
    if not learner.gain:
        return False
    left = abs(ask.degrees) - (learner.play if ask.reverses else 0.0)
    return 0.7 * abs(learner.gain) * (left - 0.5 * learner.play) < 1.5 * state.threshold


def _agree(state: TrimState) -> bool:
    """The newest readings stand, all of them away from where the turn began."""
    ask = state.ask
    assert ask is not None
    away = [it for it in state.shown if abs(value_of(it) - ask.value) > state.threshold]
    row = [it for it in away if it.time - it.aperture >= ask.since]
    return bool(row) and est.rests(
        row, state.sigma, state.step, window_of(state.goal), max(AGREE, state.goal.settle / 3.0)
    )


def _made(state: TrimState, value: float) -> TrimState:
    """The turn is made: what it did."""
    ask, learner = state.ask, state.learner
    assert ask is not None
    assert learner is not None
    state = _at_the_end(state, value)
    if ask.made is not None and abs(value - ask.value) <= least(state) and _should(state) > 2.0 * least(state):
        return _in_vain(state, value)
    learner = counted.settled(learner, value, ask.degrees, least(state) / 3.0)
    known = state.known
    if learner.gain:
        raises = Way.CLOCKWISE if learner.gain > 0.0 else Way.COUNTER_CLOCKWISE
        known = replace(known, gain=learner.gain, play=learner.play, raises=raises)
    state = replace(state, phase=TrimPhase.LOOK, learner=learner, ask=None, known=known, still=(), hold=(), move=None)
    if state.known.ends is not None:
        return state
    for reading in _rest(state, ask)[:-1]:
        state = rested(state, reading)
    return state


def _in_vain(state: TrimState, value: float) -> TrimState:
    """The person says that the turn is made, and it did nothing: the wrong trimmer, or the end of the travel?"""
    ask = state.ask
    assert ask is not None
    state = replace(state, vain=state.vain + 1)
    if state.vain > AGAIN:
        state = replace(state, vain=0, fault=Cue.DEAD, fault_until=state.now + FAULT_SHOWN)
    return _back_off(state, value)


def _at_the_end(state: TrimState, value: float) -> TrimState:
    """A turn that fell far short may have met the end of the travel; the second time at the same value it has."""
    ask, learner, wall = state.ask, state.learner, state.wall
    assert ask is not None
    assert learner is not None
    moved, near = value - ask.value, 2.0 * state.threshold
    way = math.copysign(1.0, ask.degrees * (learner.gain or 0.0)) if learner.gain else 0.0
    if wall is not None and wall.way * (value - wall.value) > near:
        state = replace(state, wall=None)
    should = _should(state)
    clear = should > travel.BACK_OFF * state.threshold and learner.weight >= counted.SEEN
    if wall is not None and wall.way == way and clear and abs(value - wall.value) <= near:
        return replace(state, known=replace(state.known, ends=value)) if abs(moved) < should else state
    if not clear or ask.back_off or abs(moved) > SHORT * should:
        return state
    return replace(state, wall=Wall(way, value))


def _back_off(state: TrimState, value: float) -> TrimState:
    """Nothing comes of the turn: ask for one back, to see whether the screw turns anything at all."""
    ask, learner = state.ask, state.learner
    assert ask is not None
    assert learner is not None
    way = math.copysign(1.0, ask.degrees)
    size = abs(2.0 * least(state) / learner.gain) if learner.gain else 0.0
    travelled = counted.PROBE * state.goal.travel
    degrees = min(max(size, travelled / 4.0), travelled / 2.0) + learner.play
    rising = math.copysign(1.0, learner.gain) * way if learner.gain else 0.0
    back = Ask(counted.rounded(learner, -way * degrees), state.now, value, back_off=True)
    wall = state.wall or (Wall(rising, value) if rising else None)
    return replace(state, ask=back, asks=state.asks + 1, wall=wall)


def _rest(state: TrimState, ask: Ask) -> tuple[Reading, ...]:
    """The newest readings that show no movement any more, none of which began before the turn was likely over.

    Noise may hide a whole turn, so what stands does not suffice.
    """
    unseen = ask.since + UNSEEN + lag(state)
    over = ask.made if ask.made is not None else unseen if ask.moved_at is None else ask.likely_at
    row = state.shown[-1:]
    for reading in reversed(state.shown[:-1]):
        longer = (reading, *row)
        early = reading.time - reading.aperture < over + state.goal.settle
        if early or not est.steady(longer, state.sigma, state.step, window_of(state.goal)):
            break
        row = longer
    return row


def told(state: TrimState, way: Way | None) -> TrimState:
    """The person says that the turn is made, as asked or the other way. Too soon for that, it is the turn before."""
    ask = state.ask
    if ask is None:
        return state
    asked = Way.CLOCKWISE if ask.degrees > 0.0 else Way.COUNTER_CLOCKWISE
    if way in (None, asked) and state.now < ask.since + SOONEST:
        return state
    degrees = ask.degrees if way is None or way is asked else -ask.degrees
    return replace(state, ask=replace(ask, degrees=degrees, made=state.now))


def wanted(state: TrimState, distance: float) -> bool:
    """True if the next turn is counted: as the procedure says, or because it is over before the readings show it."""
    if state.goal.counted is not None:
        return state.goal.counted
    seconds = turning_time(state, distance)
    return not fast(state) if seconds is None else seconds < FOLLOWED * lag(state)


def turning_time(state: TrimState, distance: float) -> float | None:
    """Seconds that a hand needs for `distance`; None where nothing is known of the screw."""
    goal, known = state.goal, state.known
    gain = abs(known.gain) if known.gain else abs(goal.span) / goal.travel if goal.span else None
    if gain:
        return distance / gain / speed_of(goal)
    return distance / state.bold.expect(distance) if state.bold else None


def lag(state: TrimState) -> float:
    """Seconds from a movement to the reading that shows it, on the average."""
    aperture = state.last.aperture if state.last else 0.0
    period = state.period or 2.0 * aperture
    return (period + aperture + state.goal.settle) / 2.0 + 0.05


def fast(state: TrimState) -> bool:
    """The readings show a turning while it goes on."""
    return lag(state) <= LAG


def speed_of(goal: Goal) -> float:
    return SPEED_MULTI if goal.travel > counted.MULTI_TURN else SPEED
