"""Finding the least (or greatest) point: shows the best so far, says when it was passed and how far back it is.

The hand sweeps one way until the reading has fallen and clearly risen again (the point is passed), turns back slowly,
and stops where the reading stands as low as the best that was seen. Where the first sweep was too fast for the meter
to show how low it goes, the slow one goes on over the point, and a third goes back to it. A reading that only rises
was swept the wrong way: turn round and sweep on. A point is flat at its bottom, so a hand that stops one reaction late
loses little.

Rules it keeps, besides those of `engine` on what counts, on the ceiling and on the link:
- "Best" is the mean of two neighbouring readings, or one that is lower still by more than luck, so that one lucky
  reading is no target that cannot be met again.
- It is found only by readings that stand, hands off, for the hold time, within `close` of the best seen.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass, replace

from ..readings import Flag, Reading
from . import estimate as est
from .estimate import value_of
from .moves import LONGEST, REACTION
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
TURN_ROUND = 1.0  # s, a hand needs that long to turn round, and the meter to show it
LUCK = 1.5  # standard deviations by which the least of some noisy readings lies too low
STEEP = 0.25  # relative change from reading to reading above which the hand goes too fast for the meter


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


class SearchPhase(enum.Enum):
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
    turn_from when to begin to turn back: a hand must come to rest first, and see that the word is a new one
    peak, lowest  greatest value since the hand last turned round, and the least one after it
    bracketed  the reading was seen to rise on both sides of the best
    known     it was swept over slowly enough: the best is the true one
    begun     the value when the hand last turned round
    moved_at   when the value was last seen to change
    passes  how often the point was passed
    """

    search: Search
    now: float
    cue: Cue = Cue.WAIT
    phase: SearchPhase = SearchPhase.SWEEP
    linked: bool = True
    since: float = -math.inf
    last: Reading | None = None
    row: tuple[Reading, ...] = ()
    still: tuple[Reading, ...] = ()
    differences: tuple[float, ...] = ()
    best: float | None = None
    peak: float = -math.inf
    lowest: float = math.inf
    bracketed: bool = False
    known: bool = False
    begun: float = math.inf
    moved_at: float = -math.inf
    moved_from: float = math.inf
    stopped: float = -math.inf
    turn_from: float = -math.inf
    passes: int = 0

    @property
    def sign(self) -> float:
        return -1.0 if self.search.greatest else 1.0

    @property
    def sigma(self) -> float:
        """Standard deviation of one reading with the hands off, from the quietest quarter of the second differences.

        The others are mostly the hand's doing. A normal |z| is below 0.3186 in a quarter of cases.
        """
        step = (self.last.resolution if self.last else None) or 0.0
        quiet = sorted(self.differences)[: max(3, len(self.differences) // 4 + 1)]
        return max(step / math.sqrt(12.0), quiet[-1] / (0.3186 * math.sqrt(6.0)) if quiet else 0.0)

    @property
    def near(self) -> float:
        """How much above the best still counts as there."""
        best = abs(self.best or 0.0)
        return max(self.search.close * best, self.search.floor)

    @property
    def rise(self) -> float:
        """How much above the lowest says that the point is passed; high up on the side, noise may be greater too."""
        lowest = abs(self.lowest) if math.isfinite(self.lowest) else 0.0
        return max(3.0 * self.near, 3.0 * self.search.close * lowest, 4.0 * self.sigma)

    @property
    def fell(self) -> bool:
        """It came down since the hand last turned round."""
        return self.peak - self.lowest > self.rise


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
    if isinstance(event, LinkDown | LinkUp) and state.phase is not SearchPhase.ENDED:
        state = replace(state, last=None, row=(), still=(), since=state.now)
    return _recue(state, before)


def view(state: SearchState, now: float) -> TrimView:
    """As for any trim; the bar's target is the best so far."""
    now = max(now, state.now)
    value = None if state.last is None else value_of(state.last)
    best = state.best if state.known else None
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
        uncertainty=state.sigma,
    )


def _measured(state: SearchState, reading: Reading) -> tuple[SearchState, tuple[TrimEffect, ...]]:
    before = state.cue
    if est.above(state.search.ceiling, state.search.unit, reading):
        ended = replace(state, cue=Cue.CEILING, phase=SearchPhase.ENDED)
        return ended, (CeilingPassed(est.shown_above(reading), state.now), Cued(Cue.CEILING, None))
    if state.phase is SearchPhase.ENDED:
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
    begun = pair if state.best is None else state.begun
    low = min(pair, state.sign * value_of(row[-1]) + LUCK * state.sigma)
    state = replace(state, begun=begun, best=low if state.best is None else min(state.best, low))
    if abs(pair - state.moved_from) > max(state.near, 4.0 * state.sigma):
        state = replace(state, moved_from=pair, moved_at=state.now)
    if pair > state.peak and not state.fell:
        return replace(state, peak=pair, lowest=pair)
    return replace(state, lowest=min(state.lowest, pair))


def _advance(state: SearchState, reading: Reading) -> SearchState:
    if state.best is None or len(state.row) < 2:
        return state
    pair = state.sign * (value_of(state.row[-1]) + value_of(state.row[-2])) / 2.0
    if state.phase in (SearchPhase.SWEEP, SearchPhase.BACK):
        if state.now < state.turn_from:
            return state
        if _is_passed(state, pair) or state.now - state.moved_at > LONGEST:
            return _passed(state, pair)
        if state.known and _at_bottom(state, pair):
            return replace(state, phase=SearchPhase.CATCH, stopped=state.now, still=())
        return state
    if state.phase is SearchPhase.CATCH:
        clean = reading.time - reading.aperture >= state.stopped + REACTION + 0.05 + state.search.settle
        return _look(replace(state, phase=SearchPhase.LOOK), reading) if clean else state
    return _look(state, reading)


def _is_passed(state: SearchState, here: float) -> bool:
    """It fell and rises again; or it only rises, although the hand has had the time to turn round."""
    if state.fell:
        return here > state.lowest + state.rise
    turned = state.now - max(state.turn_from, state.since) > TURN_ROUND
    return turned and here > state.begun + state.rise


def _at_bottom(state: SearchState, here: float) -> bool:
    """Nearly as low as the best: a hand that stops one reaction later is there."""
    return state.best is not None and here <= state.best + state.near * 2.0 / 3.0 + state.sigma


def _passed(state: SearchState, here: float) -> SearchState:
    """The reading rises again, or moves no more: turn round."""
    bracketed = state.bracketed or state.fell
    down = state.fell and state.lowest <= (state.best or 0.0) + state.rise
    known = down and (state.phase is SearchPhase.BACK or _finely_seen(state))
    return replace(
        state,
        phase=SearchPhase.BACK if bracketed else SearchPhase.SWEEP,
        bracketed=bracketed,
        known=state.known or known,
        passes=state.passes + 1,
        row=state.row[-1:],
        peak=here,
        lowest=here,
        begun=here,
        moved_at=state.now,
        moved_from=here,
        turn_from=state.now + REACTION + 0.1,
    )


def _finely_seen(state: SearchState) -> bool:
    """The readings beside the lowest are hardly higher: the sweep was slow enough to show how low it goes."""
    values = [state.sign * value_of(r) for r in state.row]
    at = values.index(min(values))
    beside = values[max(0, at - 1) : at + 2]
    return len(beside) == 3 and max(beside) - values[at] <= 2.0 * state.near + 3.0 * state.sigma


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
    if state.phase is not SearchPhase.LOOK or len(still) < 2 or state.best is None:
        return False
    step = still[-1].resolution or 0.0
    if not est.steady(still, state.sigma, step, 2.0 * state.near):
        return False
    mean = state.sign * math.fsum(value_of(r) for r in still) / len(still)
    return still[-1].time - still[0].time >= state.search.hold and mean <= state.best + state.near


def _found(state: SearchState) -> tuple[SearchState, tuple[TrimEffect, ...]]:
    values = [value_of(r) for r in state.still]
    mean = math.fsum(values) / len(values)
    effect = Accepted(mean, min(values), max(values), len(values), state.now)
    return replace(state, phase=SearchPhase.ENDED, cue=Cue.ACCEPTED), (effect, Cued(Cue.ACCEPTED, 0.0))


def _recue(state: SearchState, before: Cue) -> tuple[SearchState, tuple[TrimEffect, ...]]:
    cue = _cue(state, state.now)
    distance = None
    if state.last is not None and state.best is not None:
        distance = state.sign * state.best - value_of(state.last)
    return replace(state, cue=cue), () if cue is before else (Cued(cue, distance),)


def _cue(state: SearchState, now: float) -> Cue:
    if state.phase is SearchPhase.ENDED:
        return state.cue
    if not state.linked:
        return Cue.LOST
    if not _fresh(state, now) or not state.row:
        return Cue.WAIT
    if state.phase in (SearchPhase.SWEEP, SearchPhase.BACK) and now < state.turn_from:
        return Cue.STOP
    if state.phase is SearchPhase.SWEEP and state.passes:
        return Cue.PASSED
    better = _better(state)
    return {
        SearchPhase.SWEEP: better,
        SearchPhase.BACK: Cue.PASSED,
        SearchPhase.CATCH: Cue.STOP,
        SearchPhase.LOOK: Cue.GOOD,
    }[state.phase]


def _better(state: SearchState) -> Cue:
    """Turn so that it gets better; slowly where it changes much from one reading to the next."""
    values = [value_of(r) for r in state.row[-2:]]
    steep = abs(values[-1] - values[0]) > STEEP * abs(values[-1])
    if state.search.greatest:
        return Cue.SLOW_UP if steep else Cue.UP
    return Cue.SLOW_DOWN if steep else Cue.DOWN


def _fresh(state: SearchState, now: float) -> bool:
    return state.last is not None and 0.0 <= state.last.age(now) <= state.search.stale_after


def _held(state: SearchState) -> float:
    if state.phase is SearchPhase.ENDED:
        return 1.0 if state.cue is Cue.ACCEPTED else 0.0
    if len(state.still) < 2:
        return 0.0
    return min(1.0, (state.still[-1].time - state.still[0].time) / max(state.search.hold, 1e-9))


def _hint(state: SearchState) -> str:
    if state.best is None or state.phase is SearchPhase.ENDED:
        return ""
    name = "greatest" if state.search.greatest else "least"
    return f"{name} so far {state.sign * state.best:.4g} {state.search.unit}".removesuffix(" 1")
