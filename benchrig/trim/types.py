"""The words of a trim: what is wanted, what can happen, what the hands are told.

Pure data. Seconds are monotonic clock seconds, values are in the unit of the goal.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass
from typing import Any

from ..events import LinkDown as LinkDown
from ..events import LinkUp as LinkUp
from ..readings import Reading
from ..units import show


class Cue(enum.StrEnum):
    """What the hands should do now."""

    WAIT = "wait"  # no usable reading yet, or the reading has not caught up with the last turn
    QUIET = "waiting for the quiet phase"
    UP = "turn up"  # turn so that the reading rises; which way that is may not be known yet
    DOWN = "turn down"
    SLOW_UP = "slowly up"
    SLOW_DOWN = "slowly down"
    ASKED = "turn as asked"  # that part of a turn, and let go
    STOP = "stop"  # stop turning and let the reading catch up
    PASSED = "back"  # gone past: reverse
    GOOD = "good, hands off"  # inside; lift the tool, the hold time is running
    ACCEPTED = "accepted"
    DEAD = "nothing moves"  # wrong trimmer?
    END_STOP = "end of travel"  # turn it back: it goes no further, and this trim is over
    JUMPS = "wiper jumps"  # scratchy: clean it
    CEILING = "ceiling"  # let go, make safe
    LOST = "link lost"


# Cues under which the hands must not turn.
HANDS_STILL = frozenset({Cue.WAIT, Cue.QUIET, Cue.STOP, Cue.GOOD, Cue.ACCEPTED, Cue.JUMPS, Cue.CEILING, Cue.LOST})


class Way(enum.StrEnum):
    """Which way a screwdriver turns, seen from its handle."""

    CLOCKWISE = "clockwise"
    COUNTER_CLOCKWISE = "counter-clockwise"

    @property
    def other(self) -> Way:
        return Way.COUNTER_CLOCKWISE if self is Way.CLOCKWISE else Way.CLOCKWISE


@dataclass(frozen=True, slots=True)
class Goal:
    """What a trim is for.

    target      the value aimed at
    low, high   the window in which the setting is accepted
    unit        of all values here
    hold        seconds the reading must stay inside, hands off
    settle      seconds from a turn to a reading that shows it whole
    ceiling     |value| above this stops the step at once; None where there is none
    span        value change over the whole travel of the trimmer, if known (only scales the bar)
    travel      degrees of the whole travel: 270 for a single-turn trimmer, 7200 for a 20-turn one
    stale_after seconds of reading age after which it no longer counts
    counted     turned by stated parts of a turn; None: as the readings ask
    """

    target: float
    low: float
    high: float
    unit: str
    hold: float = 1.5
    settle: float = 0.3
    ceiling: float | None = None
    span: float | None = None
    travel: float = 270.0
    stale_after: float = 1.5
    counted: bool | None = None

    def __post_init__(self) -> None:
        if not -math.inf < self.low <= self.high < math.inf:
            raise ValueError(f"A window from {self.low} to {self.high} {self.unit} is none. Give low, then high.")


def to_middle(low: float, high: float, unit: str, **more: Any) -> Goal:
    """A goal for the middle of a window. `more` as for `Goal`."""
    return Goal((low + high) / 2.0, low, high, unit, **more)


@dataclass(frozen=True, slots=True)
class Known:
    """What is remembered of one trimmer from the last time it was turned. All may be unknown.

    raises    the way that raises the reading
    noise     standard deviation of the readings with the hands off, in the unit of the goal; `seen`: from how many
              degrees of freedom it is known, 0 for a guess
    scratchy  its wiper was seen to jump
    gain      change of the reading per degree clockwise, and `play`, degrees that a reversal loses
    ends      the value at which its travel ended, in the trim just made; a new trim begins without it
    """

    raises: Way | None = None
    noise: float | None = None
    seen: float = 0.0
    scratchy: bool = False
    gain: float | None = None
    play: float | None = None
    ends: float | None = None


@dataclass(frozen=True, slots=True)
class Creep:
    """A movement that goes on.

    rate         unit per second, upwards positive
    uncertainty  standard uncertainty of the rate
    leaves       seconds until the value leaves its window, at that rate
    seconds      over which it was seen
    """

    rate: float
    uncertainty: float
    leaves: float
    seconds: float

    def words(self, unit: str) -> str:
        """ "still rising, 1.2 V a minute; out of its window in about 4 min at this rate"."""
        way = "rising" if self.rate > 0.0 else "falling"
        left = f"{self.leaves / 60.0:.0f} min" if self.leaves >= 90.0 else f"{max(self.leaves, 1.0):.0f} s"
        rate = show(abs(self.rate) * 60.0, unit, digits=2)
        return f"still {way}, {rate} a minute; out of its window in about {left} at this rate"


@dataclass(frozen=True, slots=True)
class Measured:
    """A reading has arrived, at `now`."""

    reading: Reading
    now: float


@dataclass(frozen=True, slots=True)
class Tick:
    """Time has passed without a reading."""

    now: float


@dataclass(frozen=True, slots=True)
class Restart:
    """Somebody paused, touched something else, or changed the set-up: what was seen no longer counts."""

    now: float


@dataclass(frozen=True, slots=True)
class Turned:
    """The operator has said that the tool was turned, and which way the last movement was; None for as the cue said."""

    way: Way | None
    now: float


TrimEvent = Measured | Tick | LinkDown | LinkUp | Restart | Turned


@dataclass(frozen=True, slots=True)
class Cued:
    """The cue changed."""

    cue: Cue
    distance: float | None  # target - value, where there is a value


@dataclass(frozen=True, slots=True)
class Accepted:
    """The setting held inside the window, hands off, for the whole hold time; `creep`: and yet it surely moves on."""

    value: float  # mean of the readings of the hold
    low: float  # least and greatest reading of the hold
    high: float
    readings: int
    now: float
    creep: Creep | None = None


@dataclass(frozen=True, slots=True)
class CeilingPassed:
    """|value| is above the ceiling; None where the instrument shows overload and so gives no number."""

    value: float | None
    now: float


@dataclass(frozen=True, slots=True)
class EndOfTravel:
    """Turned `way` (the reading's: +1 up, -1 down) the trimmer goes no further than `value`; the trim is over."""

    value: float
    way: float
    now: float


TrimEffect = Cued | Accepted | CeilingPassed | EndOfTravel


@dataclass(frozen=True, slots=True)
class TrimView:
    """All that a gauge, a tone or a simulated person can see of a trim. Derived from the state, never stored.

    value     newest usable value, None if there is none; `stale` if it is too old to believe
    distance  target - value
    cue       what to do now
    held      0..1, how much of the hold time has passed
    position  -1..+1: where the value stands on the bar (0 is the target), window edges at `edges`
    turn      the way to turn now, once it is known and something is to be turned
    asked     degrees to turn now, clockwise positive, where a stated part of a turn is asked for
    asks      how many were asked for until now: the same part may be asked for again
    held_of   what `held` is a part of: the hold time, or what a wiper has to show
    uncertainty  standard, of the value as a position of the trimmer: noise, and what the meter has yet to show
    """

    value: float | None
    distance: float | None
    cue: Cue
    held: float
    position: float | None
    edges: tuple[float, float]
    stale: bool
    hint: str = ""
    turn: Way | None = None
    uncertainty: float | None = None
    held_of: str = "hold"
    asked: float | None = None
    asks: int = 0
