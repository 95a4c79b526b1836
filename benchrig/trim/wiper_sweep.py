"""Is a wiper clean? The hand turns slowly to and fro around where it stands, and the reading must follow smoothly.

A trim asks for as little turning as it can, so a slow meter may see none of a wiper's jumps while it lasts. Here
turning is the point: strokes of a few readings each, from one side of the old setting to the other, with a rest
between them, until enough readings were taken while the wiper moved.

Rules it keeps, besides those of `engine` on what counts, on the ceiling and on the link:
- Only swings against the turning count: hands regrip, pause and change their pace, but do not turn back unasked.
  Two of them beyond what noise does make a scratchy wiper; one alone may be a slip of the hand.
- A stroke that went the other way than it was told, or in which nothing moved, says nothing.
- A stroke lasts only as long as the last one's pace allows, so that no hand runs far beyond what is asked.
- Without enough readings in `LONGEST` seconds, or if nothing moves, nothing is said of the wiper.
"""

from __future__ import annotations

import enum
import math
import statistics
from dataclasses import dataclass, replace

from ..readings import Flag, Reading
from . import estimate as est
from .estimate import value_of
from .faults import against
from .moves import REACTION
from .shown import position
from .types import (
    CeilingPassed,
    Cue,
    Cued,
    Goal,
    LinkDown,
    LinkUp,
    Measured,
    Restart,
    TrimEvent,
    TrimView,
)

AT_REST = 10  # readings, and
RESTED = 2.0  # s, from which the noise is learned
MOVING = 30  # readings during strokes that a clean wiper has to show
TURNED = 6.0  # s of turning, and
STROKES = 3  # strokes that it has to show at least
SWINGS = 2  # against the turning, that name it scratchy
LONGEST = 120.0  # s for a whole sweep
IDLE = 15.0  # s of turning in which nothing is seen to move
FIRST = 0.5  # s, the first stroke, and the shortest one
EDGE = 0.8  # of the reach: there a stroke ends
FINE = 8  # readings that a whole stroke should take
MATTERS = 1.0 / 6.0  # of the reach: a smaller swing does no harm to what the trimmer sets
WIDER = 2.5  # Student's far points are about 1 + 2.5 / f normal ones (first term of Cornish and Fisher)
BY_CHANCE = 0.09  # swings that noise alone makes in a whole sweep: two of them in 1 of 250
SLOWER = "slower"
WRONG = "the other way round"


class Wiper(enum.StrEnum):
    """What a sweep has found."""

    CLEAN = "clean"
    SCRATCHY = "scratchy"
    UNKNOWN = "not seen"  # nothing moved, or too few readings came


class SweepPhase(enum.Enum):
    LOOK = "look"  # hands off: where it stands, and how much it is noisy
    STROKE = "stroke"
    CATCH = "catch up"  # told to stop; the reading does not show the whole stroke yet
    ENDED = "ended"


@dataclass(frozen=True, slots=True)
class Sweep:
    """What is asked: `reach` is how far the reading is to go to each side of where it stands, in `unit`, above 0.

    settle, ceiling, stale_after as in `Goal`
    """

    unit: str
    reach: float
    settle: float = 0.3
    ceiling: float | None = None
    stale_after: float = 1.5

    def goal(self, middle: float, way: float) -> Goal:
        """The goal a bar can be drawn for: the side that is turned to."""
        low, high = middle - self.reach, middle + self.reach
        target = middle + way * self.reach
        return Goal(target, low, high, self.unit, 0.0, self.settle, self.ceiling, stale_after=self.stale_after)


@dataclass(frozen=True, slots=True)
class Swept:
    """The sweep is over: `swings` against the turning in `readings` of `strokes` strokes."""

    wiper: Wiper
    swings: int
    readings: int
    strokes: int
    now: float


@dataclass(frozen=True, slots=True)
class SweepState:
    """Everything known of one sweep. Made by `start`, changed only by `step`.

    began   when the sweep began; `since`: no measurement that began before this counts
    sigma   standard deviation of one reading at rest, with `free` degrees of freedom
    middle  where it stood before anything was turned
    way     that the reading is to go in this stroke: +1, -1
    told    when this stroke was told; `until` when the hand is told to stop
    seen    the readings of this stroke, the one at rest before it first
    pace    units per second of a stroke, None before anything has moved
    turned  seconds of turning as told
    wrong   the last stroke went the other way than it was told
    """

    sweep: Sweep
    began: float
    now: float
    cue: Cue = Cue.WAIT
    phase: SweepPhase = SweepPhase.LOOK
    linked: bool = True
    since: float = -math.inf
    last: Reading | None = None
    rest: tuple[Reading, ...] = ()
    sigma: float = 0.0
    free: int = 0
    middle: float = 0.0
    way: float = 1.0
    told: float = 0.0
    until: float = math.inf
    seen: tuple[Reading, ...] = ()
    pace: float | None = None
    interval: float = 0.0
    idle: float = 0.0
    wrong: bool = False
    swings: int = 0
    readings: int = 0
    turned: float = 0.0
    strokes: int = 0

    @property
    def count(self) -> float:
        """One count of the display."""
        return (self.last.resolution if self.last else None) or 0.0

    @property
    def least(self) -> float:
        """The least swing that noise is no excuse for; noise that few readings showed may be greater than it seemed."""
        widened = self.sigma * (1.0 + WIDER / self.free) if self.free else self.sigma
        sigma = min(widened, max(self.sigma, self.sweep.reach / 24.0))
        readings = max(MOVING, TURNED / self.interval if self.interval else 0.0)
        # The difference of two readings spreads by sqrt 2 sigma; a normal tail beyond z is below exp(-z^2 / 2) / 2.
        noise = 2.0 * sigma * math.sqrt(math.log(readings / (2.0 * BY_CHANCE)))
        return max(noise, 2.0 * self.count, MATTERS * self.sweep.reach)

    @property
    def proof(self) -> float:
        """0..1: how much of what a clean wiper has to show was seen."""
        seen = min(self.readings / MOVING, self.turned / TURNED, self.strokes / STROKES)
        return min(seen / (1.0 + self.swings), 1.0)  # a doubt wants a second look

    @property
    def too_fast(self) -> bool:
        """The hand crosses from side to side in fewer than `FINE` readings."""
        return self.pace is not None and self.pace * self.interval * FINE > 2.0 * EDGE * self.sweep.reach


Effect = Cued | CeilingPassed | Swept
Stepped = tuple[SweepState, tuple[Effect, ...]]


def start(sweep: Sweep, now: float, middle: float = 0.0) -> SweepState:
    """A sweep that has seen nothing yet; `middle` is where it is thought to stand, until it is read."""
    return SweepState(sweep, now, now, middle=middle)


def step(state: SweepState, event: TrimEvent) -> Stepped:
    """One event; `Swept` says what became of it."""
    before = state.cue
    state = replace(state, now=max(state.now, event.now))
    if state.phase is SweepPhase.ENDED:
        return state, ()
    if isinstance(event, LinkDown | LinkUp):
        state = replace(_afresh(state), linked=isinstance(event, LinkUp))
    if isinstance(event, Restart):
        state = _afresh(state)
    if isinstance(event, Measured):
        if est.above(state.sweep.ceiling, state.sweep.unit, event.reading):
            ended = replace(state, cue=Cue.CEILING, phase=SweepPhase.ENDED)
            return ended, (CeilingPassed(est.shown_above(event.reading), state.now), Cued(Cue.CEILING, None))
        state = _measured(state, event.reading)
    state = _stop_if_due(state)
    found = _verdict(state)
    return _recue(state, before) if found is None else _ended(state, found)


def view(state: SweepState, now: float) -> TrimView:
    """As for any trim; the bar's target is the side that is turned to, its window what is swept."""
    now = max(now, state.now)
    value = None if state.last is None else value_of(state.last)
    goal = state.sweep.goal(state.middle, state.way)
    whole = Goal(state.middle, goal.low, goal.high, goal.unit)
    return TrimView(
        value=value,
        distance=None if value is None else goal.target - value,
        cue=_cue(state, now),
        held=state.proof,
        position=None if value is None else position(whole, value),
        edges=(position(whole, whole.low), position(whole, whole.high)),
        stale=not est.fresh(state.last, goal, now),
        hint=_hint(state),
        uncertainty=state.sigma,
        held_of="seen",
    )


def _afresh(state: SweepState) -> SweepState:
    """Nothing seen before is the present value; what the wiper has shown until now still counts."""
    return replace(state, phase=SweepPhase.LOOK, since=state.now, last=None, rest=(), seen=())


def _cut(state: SweepState) -> SweepState:
    """Another range may read a little more or less: what comes now is not compared with what came before."""
    return replace(_counted(state, min(state.now, state.until) - state.told), told=state.now, seen=())


def _broken_off(state: SweepState) -> SweepState:
    """A reading that does not count ends a stroke; what it showed until now, and what was read at rest, stays."""
    if state.phase is SweepPhase.LOOK:
        return state
    state = _counted(state, min(state.now, state.until) - state.told)
    return replace(state, phase=SweepPhase.LOOK, since=state.now + REACTION, rest=(), seen=())


def _measured(state: SweepState, reading: Reading) -> SweepState:
    newer = state.last is None or reading.time > state.last.time
    begun = reading.time - reading.aperture >= state.since
    goal = state.sweep.goal(state.middle, state.way)
    if not (state.linked and newer and begun and est.counts(reading, goal, state.now)):
        return _broken_off(state)
    if reading.flags & Flag.RANGE_CHANGED and state.phase is not SweepPhase.LOOK:
        state = _cut(state)
    interval = state.interval if state.last is None else reading.time - state.last.time
    state = replace(state, last=reading, interval=interval)
    if state.phase is SweepPhase.LOOK:
        return _looked(state, reading)
    state = replace(state, seen=(*state.seen, reading))
    if state.phase is SweepPhase.STROKE:
        return _at_edge(state, value_of(reading))
    return _caught(state, reading)


def _looked(state: SweepState, reading: Reading) -> SweepState:
    """Hands off, until the noise is known; then the first stroke, and after a break the next."""
    rest = (*state.rest, reading)
    state = replace(state, rest=rest)
    if state.free:
        return _told(replace(state, rest=()), reading) if len(rest) > 1 else state
    if len(rest) < AT_REST or reading.time - rest[0].time < RESTED:
        return state
    values = [value_of(r) for r in rest]
    sigma = max(statistics.stdev(values), state.count / math.sqrt(12.0))
    known = replace(state, middle=statistics.fmean(values), sigma=sigma, free=len(values) - 1, rest=())
    return _told(known, reading)


def _told(state: SweepState, reading: Reading) -> SweepState:
    """Begin a stroke from `reading`: on to the side that was turned to, or back from it."""
    away = value_of(reading) - state.middle
    far = abs(away) > state.sweep.reach / 2.0
    way = -math.copysign(1.0, away) if far else state.way
    left = state.middle + way * state.sweep.reach - value_of(reading)
    length = FIRST * (1.0 + state.idle) if state.pace is None else max(FIRST, abs(left) / state.pace)
    return replace(state, phase=SweepPhase.STROKE, way=way, told=state.now, until=state.now + length, seen=(reading,))


def _at_edge(state: SweepState, value: float) -> SweepState:
    """Stop where a side is reached, whichever: the hand may go the other way than it was told."""
    here, begun = abs(value - state.middle), abs(value_of(state.seen[0]) - state.middle)
    reached = here >= EDGE * state.sweep.reach and here > begun + state.least
    return replace(state, until=min(state.until, state.now)) if reached else state


def _stop_if_due(state: SweepState) -> SweepState:
    due = state.phase is SweepPhase.STROKE and state.now >= state.until
    return replace(state, phase=SweepPhase.CATCH) if due else state


def _caught(state: SweepState, reading: Reading) -> SweepState:
    """The reading shows the whole stroke: what it says of the wiper and of the pace, and on with the next."""
    if reading.time - reading.aperture < state.until + REACTION + 0.05 + state.sweep.settle:
        return state
    length = state.until - state.told
    if length < FIRST / 2.0:  # cut: too little is left of it to learn from
        return _told(state, reading)
    moved = _moved(state)
    if abs(moved) < state.least:
        slower = None if state.pace is None else state.pace / 2.0
        return _told(replace(state, idle=state.idle + length, pace=slower), reading)
    state = replace(_counted(state, length), pace=abs(moved) / length, idle=0.0, wrong=moved < 0.0)
    return _told(state, reading)


def _moved(state: SweepState) -> float:
    """How far the stroke has gone as it was told."""
    return state.way * (value_of(state.seen[-1]) - value_of(state.seen[0])) if state.seen else 0.0


def _counted(state: SweepState, length: float) -> SweepState:
    """What a stroke of `length` seconds says of the wiper; nothing if it did not go as it was told."""
    if _moved(state) < state.least:
        return replace(state, idle=state.idle + max(0.0, length)) if abs(_moved(state)) < state.least else state
    values = [value_of(r) for r in state.seen]
    turning = sum(state.told + REACTION < r.time <= state.until + REACTION for r in state.seen)
    return replace(
        state,
        swings=state.swings + against(values, state.way, state.least),
        readings=state.readings + turning,
        turned=state.turned + length,
        strokes=state.strokes + 1,
    )


def _verdict(state: SweepState) -> Wiper | None:
    if state.swings >= SWINGS:
        return Wiper.SCRATCHY
    if state.proof >= 1.0:
        return Wiper.CLEAN
    if state.idle >= IDLE or state.now - state.began >= LONGEST:
        return Wiper.UNKNOWN
    return None


def _ended(state: SweepState, found: Wiper) -> Stepped:
    cue = {Wiper.CLEAN: Cue.ACCEPTED, Wiper.SCRATCHY: Cue.JUMPS, Wiper.UNKNOWN: Cue.WAIT}[found]
    effect = Swept(found, state.swings, state.readings, state.strokes, state.now)
    return replace(state, phase=SweepPhase.ENDED, cue=cue), (effect, Cued(cue, None))


def _recue(state: SweepState, before: Cue) -> Stepped:
    cue = _cue(state, state.now)
    distance = None
    if state.last is not None:
        distance = state.sweep.goal(state.middle, state.way).target - value_of(state.last)
    return replace(state, cue=cue), () if cue is before else (Cued(cue, distance),)


def _cue(state: SweepState, now: float) -> Cue:
    if state.phase is SweepPhase.ENDED:
        return state.cue
    if not state.linked:
        return Cue.LOST
    if not est.fresh(state.last, state.sweep.goal(state.middle, state.way), now):
        return Cue.WAIT
    if state.phase is SweepPhase.STROKE and now < state.until:
        return Cue.SLOW_UP if state.way > 0.0 else Cue.SLOW_DOWN
    return Cue.STOP


def _hint(state: SweepState) -> str:
    if state.phase is SweepPhase.ENDED:
        return ""
    if state.wrong:
        return WRONG
    return SLOWER if state.too_fast else ""
