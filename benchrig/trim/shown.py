"""What there is to see of a trim at a moment: value, bar, cue, hint. Derived from the state, never stored.

A later moment than the last event shows what time alone changes: "stop" is due, a reading has grown stale.
"""

from __future__ import annotations

import math

from ..units import show
from . import estimate as est
from .estimate import value_of
from .moves import LONGEST, REACTION, HandMove
from .state import TrimPhase, TrimState, move_of, pace_of, window_of
from .types import HANDS_STILL, Cue, Goal, TrimView, Way

BUSY = "waiting for the quiet phase"
RESTLESS = 15.0  # s with the hands off, and three times the hold, in which a reading is usually accepted


def view(state: TrimState, now: float) -> TrimView:
    """What a gauge, a tone or a simulated person can see at `now`."""
    goal = state.goal
    now = max(now, state.now)
    value = None if state.last is None else value_of(state.last)
    cue = cue_of(state, now)
    return TrimView(
        value=value,
        distance=None if value is None else goal.target - value,
        cue=cue,
        held=_held(state),
        position=None if value is None else position(goal, value),
        edges=(position(goal, goal.low), position(goal, goal.high)),
        stale=not est.fresh(state.last, goal, now),
        hint=_hint(state, cue, now),
        turn=_way(state, cue),
        uncertainty=_uncertainty(state, now),
        asked=state.ask.degrees if cue is Cue.ASKED and state.ask else None,
        asks=state.asks,
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


def cue_of(state: TrimState, now: float) -> Cue:
    if state.phase is TrimPhase.ENDED:
        return state.cue
    if not state.linked:
        return Cue.LOST
    if state.why_not or not est.fresh(state.last, state.goal, now):
        return Cue.QUIET if state.why_not == BUSY else Cue.WAIT
    if state.fault is not None and now < state.fault_until:
        return state.fault
    if state.phase is TrimPhase.ASKED and state.ask is not None:
        made = state.ask.moved_at is not None or state.ask.made is not None or state.ask.hidden
        return Cue.WAIT if made else Cue.ASKED  # who looks again while it shows must not turn it again
    if state.phase is TrimPhase.MOVE and now < move_of(state).until:
        return _turning_cue(move_of(state))
    if state.phase is TrimPhase.LOOK:
        return Cue.GOOD if _inside(state) else Cue.WAIT  # the hands are still: there is nothing to stop
    return Cue.WAIT if move_of(state).stuck else Cue.STOP


def _inside(state: TrimState) -> bool:
    """The readings since the last turn lie inside the window on the whole."""
    if not state.still:
        return False
    mean = math.fsum(value_of(r) for r in state.still) / len(state.still)
    return state.goal.low <= mean <= state.goal.high


def _turning_cue(move: HandMove) -> Cue:
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


def restless(state: TrimState, now: float) -> str:
    """Why nothing is accepted although the hands are off; nothing while there is no cause to ask."""
    waits = state.phase is TrimPhase.LOOK and state.creep is None
    if not waits or now - state.looked < RESTLESS + 3.0 * state.goal.hold:
        return ""
    low, high = state.extremes
    return f"swings by {show(high - low, state.goal.unit, digits=2)} and does not stand"


def _hint(state: TrimState, cue: Cue, now: float) -> str:
    """A few words beside the cue; the most pressing ones only."""
    if state.why_not:
        return state.why_not
    if state.creep is not None and state.linked:
        return state.creep.words(state.goal.unit)
    if state.phase is TrimPhase.ENDED or not state.linked:
        return ""
    if why := restless(state, now):
        return why
    if state.idle >= LONGEST:
        return "no movement seen: is the tool on the right trimmer? Enter: it was turned"
    if (state.ask is not None and state.ask.back_off) or (state.phase is TrimPhase.MOVE and move_of(state).back_off):
        return "it stands: a little back, to see whether it turns"
    if state.ask is not None and state.vain:
        return "nothing seen of it: again; Enter: it was turned"
    if state.wrong_way:
        return "the other way round"
    if state.known.scratchy:
        return "scratchy wiper: clean it"
    if state.phase is TrimPhase.LOOK and not state.resting:
        return "still moving"
    if len(state.differences) >= 8 and window_of(state.goal) < 3.0 * state.sigma:
        return "the readings scatter more than the window is wide"
    return ""


def _way(state: TrimState, cue: Cue) -> Way | None:
    """Which way to turn, where the cue says "turn" and the sense of the trimmer is known."""
    if cue is Cue.ASKED and state.ask is not None:
        return Way.CLOCKWISE if state.ask.degrees > 0.0 else Way.COUNTER_CLOCKWISE
    if cue in HANDS_STILL or state.last is None or state.phase is not TrimPhase.MOVE:
        return None
    return told(state, move_of(state))


def told(state: TrimState, move: HandMove) -> Way:
    """The way that a stretch of turning is told: clockwise for a try, where it is not known what raises the reading."""
    raises = state.known.raises or (Way.CLOCKWISE if move.way > 0.0 else Way.COUNTER_CLOCKWISE)
    return raises if move.way > 0.0 else raises.other


def _uncertainty(state: TrimState, now: float) -> float | None:
    """Noise, and how far the trimmer may have gone since the newest reading was taken."""
    if state.last is None:
        return None
    unseen = 0.0
    if state.move is not None and state.phase in (TrimPhase.MOVE, TrimPhase.CATCH):
        pace = pace_of(state, state.move.slow)
        turning = min(now, state.move.until + REACTION) - max(est.seen_at(state.last, state.goal), state.move.began)
        unseen = max(0.0, turning) * (pace.speed if pace else 0.0)
    return math.hypot(state.sigma, unseen)
