"""Finding the least (or greatest) point: shows the best so far, says when it was passed and how far back it is.

The hand sweeps one way until the reading has clearly risen again (the point is passed), turns back slowly, and stops
where the reading stands as low as the best that was seen. A point is flat at its bottom, so a hand that stops one
reaction late loses little.

Rules it keeps, besides those of `engine` on what counts, on the ceiling and on the link:
- "Best" is the mean of two neighbouring readings, so that one lucky reading is no target that cannot be met again.
- It is found only by readings that stand, hands off, for the hold time, within `close` of the best seen.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass, replace

from ..readings import Flag, Reading
from . import estimate as est
from .estimate import value_of
from .moves import REACTION
from .shown import position
from .types import (
    Accepted,
    CeilingPassed,
    Cue,
    Cued,
    Goal,
    LinkDown,
    LinkUp,
    Measured,
    Restart,
    TrimEffect,
    TrimEvent,
    TrimView,
)

_ROW = 60  # readings kept


@dataclass(frozen=True, slots=True)
class Search:
    """What is looked for.

    unit      of the readings
    greatest  the greatest point instead of the least
    close     how near the best seen a setting must stand, relative to it
    floor     the same in the unit, where the best is near zero
    hold, settle, ceiling, stale_after as in `Goal`
    """

    unit: str
    greatest: bool = False
    close: float = 0.03
    floor: float = 0.0
    hold: float = 1.5
    settle: float = 0.3
    ceiling: float | None = None
    stale_after: float = 1.5

    def goal(self, best: float) -> Goal:
        """The goal a bar can be drawn for: the best so far, and what counts as near it."""
        near = max(self.close * abs(best), self.floor, 1e-12)
        return Goal(
            best,
            best - near,
            best + near,
            self.unit,
            self.hold,
            self.settle,
            self.ceiling,
            stale_after=self.stale_after,
        )


class Phase(enum.Enum):
    SWEEP = "sweep"  # turning on, the point is ahead
    BACK = "back"  # passed it, turning back slowly
    CATCH = "catch up"
    LOOK = "look"
    ENDED = "ended"


@dataclass(frozen=True, slots=True)
class SearchState:
    """Everything known of one search. `best` and `row` are turned over for a greatest point: less is always better.

    since   no measurement that began before this counts
    stopped when "stop" was last said
    lowest  least value since the hand last turned round
    passes  how often the point was passed
    """

    search: Search
    now: float
    cue: Cue = Cue.WAIT
    phase: Phase = Phase.SWEEP
    linked: bool = True
    since: float = -math.inf
    last: Reading | None = None
    row: tuple[Reading, ...] = ()
    still: tuple[Reading, ...] = ()
    differences: tuple[float, ...] = ()
    best: float | None = None
    lowest: float = math.inf
    stopped: float = -math.inf
    passes: int = 0

    @property
    def sign(self) -> float:
        return -1.0 if self.search.greatest else 1.0

    @property
    def sigma(self) -> float:
        """Standard deviation of one reading with the hands off; from all readings, so it is rather too large."""
        step = (self.last.resolution if self.last else None) or 0.0
        return est.noise(self.differences, step, 0.0)

    @property
    def near(self) -> float:
        """How much above the best still counts as there."""
        best = abs(self.best or 0.0)
        return max(self.search.close * best, self.search.floor)

    @property
    def rise(self) -> float:
        """How much above the lowest says that the point is passed."""
        return max(3.0 * self.near, 4.0 * self.sigma)


def start(search: Search, now: float) -> SearchState:
    return SearchState(search, now)


def step(state: SearchState, event: TrimEvent) -> tuple[SearchState, tuple[TrimEffect, ...]]:
    """One event; `Accepted` says where the point was found."""
    before = state.cue
    state = replace(state, now=max(state.now, event.now))
    if isinstance(event, LinkDown | LinkUp):
        state = replace(state, linked=isinstance(event, LinkUp))
    if isinstance(event, Restart):
        return _recue(SearchState(state.search, state.now, linked=state.linked, since=state.now), before)
    if state.cue is Cue.CEILING:
        return state, ()
    if isinstance(event, Measured):
        return _measured(state, event.reading)
    if isinstance(event, LinkDown | LinkUp) and state.phase is not Phase.ENDED:
        state = replace(state, last=None, row=(), still=(), since=state.now)
    return _recue(state, before)


def view(state: SearchState, now: float) -> TrimView:
    """As for any trim; the bar's target is the best so far."""
    now = max(now, state.now)
    value = None if state.last is None else value_of(state.last)
    best = state.best
    goal = None if best is None else state.search.goal(state.sign * best)
    return TrimView(
        value=value,
        distance=None if value is None or goal is None else goal.target - value,
        cue=_cue(state, now),
        held=_held(state),
        position=None if value is None or goal is None else position(goal, value),
        edges=(-1.0 / 3.0, 1.0 / 3.0),
        stale=not _fresh(state, now),
        hint=_hint(state),
        doubt=state.sigma,
    )


def _measured(state: SearchState, reading: Reading) -> tuple[SearchState, tuple[TrimEffect, ...]]:
    before, ceiling = state.cue, state.search.ceiling
    if ceiling is not None and reading.unit == state.search.unit:
        over = bool(reading.flags & Flag.OVERLOAD)
        if over or (reading.value is not None and abs(reading.value) > ceiling):
            ended = replace(state, cue=Cue.CEILING, phase=Phase.ENDED)
            return ended, (CeilingPassed(None if over else reading.value, state.now), Cued(Cue.CEILING, None))
    if state.phase is Phase.ENDED:
        return state, ()
    newer = state.last is None or reading.time > state.last.time
    begun = reading.time - reading.aperture >= state.since
    goal = state.search.goal(0.0)
    if not (state.linked and newer and begun and est.counts(reading, goal, state.now)):
        return _recue(replace(state, row=(), still=()), before)
    if reading.flags & Flag.RANGE_CHANGED:
        state = replace(state, row=(), still=())
    state = _advance(_seen(state, reading), reading)
    if _complete(state):
        return _found(state)
    return _recue(state, before)


def _seen(state: SearchState, reading: Reading) -> SearchState:
    """Keep the reading, the noise and the best."""
    row = (*state.row, reading)[-_ROW:]
    difference = est.second_difference(row)
    differences = state.differences if difference is None else (*state.differences, difference)[-est.KEPT :]
    state = replace(state, last=reading, row=row, differences=differences)
    if len(row) < 2:
        return state
    pair = state.sign * (value_of(row[-1]) + value_of(row[-2])) / 2.0
    best = pair if state.best is None else min(state.best, pair)
    return replace(state, best=best, lowest=min(state.lowest, pair))


def _advance(state: SearchState, reading: Reading) -> SearchState:
    if state.best is None or len(state.row) < 2:
        return state
    pair = state.sign * (value_of(state.row[-1]) + value_of(state.row[-2])) / 2.0
    if state.phase in (Phase.SWEEP, Phase.BACK):
        if pair > state.lowest + state.rise:
            return _passed(state, pair)
        if state.phase is Phase.BACK and pair <= state.best + state.near:
            return replace(state, phase=Phase.CATCH, stopped=state.now, still=())
        return state
    if state.phase is Phase.CATCH:
        clean = reading.time - reading.aperture >= state.stopped + REACTION + 0.05 + state.search.settle
        return _look(replace(state, phase=Phase.LOOK), reading) if clean else state
    return _look(state, reading)


def _passed(state: SearchState, here: float) -> SearchState:
    """The reading rises again: turn round."""
    return replace(state, phase=Phase.BACK, passes=state.passes + 1, lowest=here)


def _look(state: SearchState, reading: Reading) -> SearchState:
    """Hands off: as low as the best, or still to turn?"""
    still = (*state.still, reading)[-_ROW:]
    state = replace(state, still=still)
    mean = state.sign * math.fsum(value_of(r) for r in still) / len(still)
    error = 2.0 * state.sigma / math.sqrt(len(still))
    if state.best is not None and mean > state.best + state.near + error:
        return _passed(replace(state, still=()), mean)
    return state


def _complete(state: SearchState) -> bool:
    still = state.still
    if state.phase is not Phase.LOOK or len(still) < 2 or state.best is None:
        return False
    step = still[-1].resolution or 0.0
    if not est.steady(still, state.sigma, step, 2.0 * state.near):
        return False
    return still[-1].time - still[0].time >= state.search.hold


def _found(state: SearchState) -> tuple[SearchState, tuple[TrimEffect, ...]]:
    values = [value_of(r) for r in state.still]
    mean = math.fsum(values) / len(values)
    effect = Accepted(mean, min(values), max(values), len(values), state.now)
    return replace(state, phase=Phase.ENDED, cue=Cue.ACCEPTED), (effect, Cued(Cue.ACCEPTED, 0.0))


def _recue(state: SearchState, before: Cue) -> tuple[SearchState, tuple[TrimEffect, ...]]:
    cue = _cue(state, state.now)
    distance = None
    if state.last is not None and state.best is not None:
        distance = state.sign * state.best - value_of(state.last)
    return replace(state, cue=cue), () if cue is before else (Cued(cue, distance),)


def _cue(state: SearchState, now: float) -> Cue:
    if state.phase is Phase.ENDED:
        return state.cue
    if not state.linked:
        return Cue.LOST
    if not _fresh(state, now) or not state.row:
        return Cue.WAIT
    better = Cue.UP if state.search.greatest else Cue.DOWN
    return {Phase.SWEEP: better, Phase.BACK: Cue.PASSED, Phase.CATCH: Cue.STOP, Phase.LOOK: Cue.GOOD}[state.phase]


def _fresh(state: SearchState, now: float) -> bool:
    return state.last is not None and 0.0 <= state.last.age(now) <= state.search.stale_after


def _held(state: SearchState) -> float:
    if state.phase is Phase.ENDED:
        return 1.0 if state.cue is Cue.ACCEPTED else 0.0
    if len(state.still) < 2:
        return 0.0
    return min(1.0, (state.still[-1].time - state.still[0].time) / max(state.search.hold, 1e-9))


def _hint(state: SearchState) -> str:
    if state.best is None or state.phase is Phase.ENDED:
        return ""
    name = "greatest" if state.search.greatest else "least"
    return f"{name} so far {state.sign * state.best:.4g} {state.search.unit}".removesuffix(" 1")
