"""What the trim engine knows of one trim, and the few quantities derived from it. Changed only by `engine.step`."""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass, replace

from ..readings import Reading
from . import estimate as est
from .counted import Counted
from .moves import Ask, HandMove, TurningPace, Wall
from .types import Creep, Cue, Goal, Known

EDGE = 0.1  # of the window, on each side: what is set there is out again after the next drift
MOST_SEEN = 10.0  # degrees of freedom that another time is worth: the lead may lie differently
_ASSUMED_RATIO = 16.0  # window over noise, before any noise was seen


class TrimPhase(enum.Enum):
    LOOK = "look"  # hands off: is it in?
    MOVE = "move"
    CATCH = "catch up"  # told to stop; the reading does not show the whole turn yet
    ASKED = "asked"  # for a stated part of a turn
    ENDED = "ended"


@dataclass(frozen=True, slots=True)
class TrimState:
    """Everything the engine knows. Made by `start`, changed only by `step`.

    still   the readings since the hands were last seen to rest; `hold` its newest part that is inside and unbroken
    rest    the same, kept for as long as a creep is looked for; `creep` what it may be doing while that is waited for
    looked  since when no turn was asked for, in `extremes` the least and the greatest reading since then
    shown   the readings since the present stretch of turning began
    """

    goal: Goal
    known: Known
    now: float
    cue: Cue = Cue.WAIT
    phase: TrimPhase = TrimPhase.LOOK
    linked: bool = True
    since: float = -math.inf  # no measurement that began before this counts
    why_not: str = ""  # why the newest reading does not count
    resting: bool = True  # the readings since the last turn show no movement
    wrong_way: bool = False  # the last stretch went the other way than the cue said
    last: Reading | None = None  # newest reading that counted
    still: tuple[Reading, ...] = ()
    hold: tuple[Reading, ...] = ()
    rest: tuple[Reading, ...] = ()
    creep: Creep | None = None
    looked: float = math.inf
    extremes: tuple[float, float] = (0.0, 0.0)
    shown: tuple[Reading, ...] = ()
    differences: tuple[float, ...] = ()
    move: HandMove | None = None
    leads: bool = False  # the hand was seen to go past the target when it was not stopped ahead of it
    bold: TurningPace | None = None
    slow: TurningPace | None = None
    interval: float = 0.0  # the newest
    period: float = 0.0  # seconds from reading to reading, of late
    ask: Ask | None = None
    asks: int = 0
    vain: int = 0  # askings in a row that nothing came of
    learner: Counted | None = None
    wall: Wall | None = None  # a suspected end of the travel
    idle: float = 0.0  # seconds of turning since anything was seen to move
    dead: float = 0.0  # seconds of the last stretch, if it moved nothing
    moved: float = 0.0  # way of the last movement seen: +1, -1, 0 for none yet
    fault: Cue | None = None
    fault_until: float = -math.inf

    @property
    def sigma(self) -> float:
        """Standard deviation of one reading with the hands off."""
        assumed = self.known.noise or window_of(self.goal) / _ASSUMED_RATIO
        return est.noise(self.differences, self.step, assumed, self.known.seen)

    @property
    def free(self) -> float:
        """Degrees of freedom that sigma rests on."""
        return len(self.differences) / est.WORTH + self.known.seen

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
    return TrimState(goal, replace(known or Known(), ends=None), now)


def learned(state: TrimState) -> Known:
    """What to remember of this trimmer for the next time."""
    if not state.differences:
        return state.known
    return replace(state.known, noise=state.sigma, seen=min(state.free, MOST_SEEN))


def window_of(goal: Goal) -> float:
    return goal.high - goal.low


def margin_of(state: TrimState) -> float:
    """How far inside the window a setting must be for its readings to stay inside, and to last: an edge is redone."""
    return min(max(1.5 * state.sigma, window_of(state.goal) * EDGE), window_of(state.goal) / 3.0)


def pace_of(state: TrimState, slow: bool) -> TurningPace | None:
    if not slow:
        return state.bold
    if state.slow is None and state.bold is not None:
        return state.bold.slowly()
    return state.slow


def move_of(state: TrimState) -> HandMove:
    if state.move is None:
        raise ValueError("A stretch of turning without its beginning.")
    return state.move
