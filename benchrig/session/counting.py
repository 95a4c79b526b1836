"""Setting a trimmer by counted turns: turn a stated part, let go, say so, and wait until the reading stands.

For readings that come or settle too slowly to follow with the hand. What to ask for next is `trim.counted`'s; what
stands inside is accepted by the trim engine, as in any other trim.

Rules kept here:
- The readings are watched, and held against the ceiling, also while the hand turns.
- A turn teaches its gain only if the reading moved by clearly more than it scatters: noise over degrees is no gain.
- A trimmer that is in with too little to spare to be accepted is asked to go on to the middle.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from .. import trim
from ..procedure.quantities import Axis, Trimmer
from ..readings import Reading
from ..trim import counted
from ..trim.engine import learned
from ..trim.types import Cue, Goal, Restart, TrimView, Way
from .looking import STANDS, recent, steady
from .notices import TurnAdvised
from .ports import InstrumentSource, Item
from .remembering import remember
from .turning import KEPT, Gauge, accepted, begin, events, quantity_of, tell_restless
from .verdicts import Value, value_of
from .work import Work

LONGEST = 1800.0  # s
STANDING = 3  # readings that stand are one settled value
RUNNING = 30.0  # s, and ten times the settling, after which a value is taken although it still runs
SLOW_PACE = 1.5  # s from reading to reading, above which no hand can follow
SLOW_SETTLING = 2.0  # s from a turn to a reading that shows it whole, the same
SURE = 4.0  # standard deviations of a settled value that a change must exceed
IDLE = 2  # turns in a row that moved nothing, after which it is said
MULTI_TURN = 360.0  # degrees of travel above which a screw has several turns
FINEST, FINEST_MULTI = 2.0, 5.0  # degrees that a hand can do with a screw of one turn, and of several


def is_slow(wanted: bool | None, settle: float, pace: float) -> bool:
    """True if counted turns are the way: as the procedure says, or else by settling and pace, both in seconds."""
    return settle > SLOW_SETTLING or pace > SLOW_PACE if wanted is None else wanted


@dataclass(slots=True)
class _Turning:
    """Where a counted trim stands.

    since         no measurement that began before this belongs to a settled value
    asked         degrees that the hand is asked for; None while the reading is waited for
    made          degrees turned since the last settled value
    idle          turns in a row that moved nothing
    inside_since  when a settled value was first seen inside
    standing      readings of the settled value to come
    """

    learner: counted.Counted
    since: float
    asked: float | None = None
    made: float = 0.0
    idle: int = 0
    inside_since: float | None = None
    standing: tuple[Reading, ...] = ()


def turn_counted(work: Work, axis: Axis, goal: Goal, source: InstrumentSource) -> Value | None:
    """Ask for one part of a turn after the other until the value is accepted; None if that does not come to pass."""
    name, now = axis.trimmer.name, work.clock.now()
    key = (name, quantity_of(source))
    learner = counted.start(goal, gain=work.services.gains.get(key), finest=finest(axis.trimmer))
    turning = _Turning(learner, now)
    state = trim.start(goal, now, work.services.known.get(key))
    gauge, taken = Gauge(work.tell, work.step.id, name, goal), list[Reading]()
    begin(work)
    with work.feed(source, axis.limits) as feed:
        while work.clock.now() < now + LONGEST:
            item = work.take(feed, source, axis.limits)
            restart = (Restart(work.clock.now()),) if _heard(work, turning, goal) else ()
            if isinstance(item, Reading) and item.usable:
                taken = [*taken[1 - KEPT :], item]
            for event in (*restart, *events(work, item)):
                state, effects = trim.step(state, event)
                if (value := accepted(effects, taken)) is not None:
                    gauge.show(trim.view(state, work.clock.now()), item)
                    _remember(work, key, turning, state)
                    return value
            if state.creep is None:  # what may be creeping is waited for, not turned after
                _settle(work, axis, turning, goal, item)
            tell_restless(work, name, state)
            gauge.show(_view(trim.view(state, work.clock.now()), turning, goal), item, _asked(turning))
    _remember(work, key, turning, state)
    return None


def finest(trimmer: Trimmer) -> float:
    """The smallest turn worth asking for, in degrees."""
    return FINEST_MULTI if trimmer.travel > MULTI_TURN else FINEST


def _heard(work: Work, turning: _Turning, goal: Goal) -> bool:
    """True if the person says that the turn is made: as asked, or as far but the other way."""
    told = list(work.turned)
    work.turned.clear()
    if turning.asked is None or not told:
        return False
    size = {Way.CLOCKWISE: abs(turning.asked), Way.COUNTER_CLOCKWISE: -abs(turning.asked)}
    turning.made = size[Way(told[-1])] if told[-1] else turning.asked
    turning.asked, turning.standing, turning.inside_since = None, (), None
    turning.since = work.clock.now() + goal.settle
    return True


def _settle(work: Work, axis: Axis, turning: _Turning, goal: Goal, item: Item | None) -> None:
    """Gather readings until they stand; then they are a settled value, and the next turn is worked out."""
    if item is not None and not isinstance(item, Reading):
        turning.standing = ()
    if turning.asked is not None or not isinstance(item, Reading):
        return
    if not item.usable or item.unit != goal.unit or item.time - item.aperture < turning.since:
        return
    turning.standing = standing = tuple(recent([*turning.standing, item], STANDING, STANDS))
    if len(standing) < STANDING or standing[-1].time - standing[0].time + standing[0].aperture < STANDS:
        return
    if steady(standing, axis.limits) or item.time - turning.since > RUNNING + 10.0 * goal.settle:
        value = value_of(standing)
        _learn(work, turning, value)
        _ask(work, axis, turning, goal, value.value, item.time)


def _learn(work: Work, turning: _Turning, value: Value) -> None:
    """What the last turn did."""
    before, made = turning.learner.value, turning.made
    turning.made = 0.0
    resolution = max(reading.resolution or 0.0 for reading in turning.standing)
    least = max(SURE * value.spread, resolution)
    moved = before is None or abs(value.value - before) > least
    turning.learner = counted.settled(turning.learner, value.value if moved or before is None else before, made)
    turning.idle = 0 if moved or not made else turning.idle + 1
    if turning.idle == IDLE:
        work.say("Nothing moves: the wrong trimmer, or the end of its travel?", "warning")


def _ask(work: Work, axis: Axis, turning: _Turning, goal: Goal, value: float, now: float) -> None:
    """Ask for the next turn, or leave it to the trim engine to accept what is inside."""
    learner = turning.learner
    if goal.low <= value <= goal.high:
        turning.inside_since = turning.inside_since or now
        if now - turning.inside_since < 3.0 * goal.hold:
            return
        half = (goal.high - goal.low) / 12.0  # it has stood long enough to be accepted, so it stands too near an edge
        learner = replace(learner, goal=replace(goal, low=goal.target - half, high=goal.target + half))
    degrees = counted.ask(learner)
    if degrees is None:
        return
    turning.asked, turning.standing = degrees, ()
    way = Way.CLOCKWISE if degrees > 0.0 else Way.COUNTER_CLOCKWISE
    advice = TurnAdvised(
        work.step.id, axis.trimmer.name, quantity_of(axis.source), value, goal.target, goal.unit, degrees, way,
        counted=True, learning=learner.gain is None,
    )  # fmt: skip
    work.tell(advice)


def _asked(turning: _Turning) -> str:
    return "" if turning.asked is None else counted.words(turning.asked)


def _view(view: TrimView, turning: _Turning, goal: Goal) -> TrimView:
    """The engine's view with the cue of a counted turn: turn while it is asked for, else wait until it stands."""
    if view.cue in (Cue.CEILING, Cue.LOST, Cue.QUIET, Cue.ACCEPTED):
        return view
    if turning.asked is None:
        waits = view.cue is not Cue.GOOD
        return replace(view, cue=Cue.WAIT, turn=None, hint="hands off until it stands") if waits else view
    rising = turning.learner.value is not None and turning.learner.value < goal.target
    way = Way.CLOCKWISE if turning.asked > 0.0 else Way.COUNTER_CLOCKWISE
    return replace(view, cue=Cue.UP if rising else Cue.DOWN, turn=way, hint="")


def _remember(work: Work, key: tuple[str, str], turning: _Turning, state: trim.TrimState) -> None:
    """The gain, and with it which way raises the reading."""
    gain, known = turning.learner.gain, learned(state)
    if gain is not None and math.isfinite(gain) and gain != 0.0:
        work.services.gains[key] = gain
        raises = Way.CLOCKWISE if gain > 0.0 else Way.COUNTER_CLOCKWISE
        if known.raises is not raises:
            remember(work, key, raises)
        known = replace(known, raises=raises)
    work.services.known[key] = known
