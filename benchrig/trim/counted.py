"""Trimming by counted turns, where the reading is too slow to follow: turn a stated part, wait, read, turn again.

The gain (change of the reading per degree) is learned by the secant through the last two settled readings. The
smallest screw and the least practised hand miss the asked angle by some per cent, so each proposal only has to be
better than the last.

Rules it keeps:
- Degrees are clockwise positive, and rounded to what a hand can do with the screw: `finest`.
- A turn the other way first takes up the play: it is asked for on top, and a change across a reversal teaches no gain.
- No turn asked for is longer than half the travel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from .types import Goal

PROBE = 0.06  # of the travel: the first turn, where nothing is known of the gain
MOST = 0.5  # of the travel


@dataclass(frozen=True, slots=True)
class Counted:
    """What is known of one trimmer that is set by counted turns.

    gain    change of the reading per degree clockwise; None until it was seen
    play    degrees that a reversal loses
    finest  smallest turn worth asking for, in degrees
    value   the newest settled reading
    way     of the last turn, +1 clockwise, 0 before the first
    turns   how many were made
    """

    goal: Goal
    play: float = 0.0
    finest: float = 2.0
    gain: float | None = None
    value: float | None = None
    way: float = 0.0
    turns: int = 0


def start(goal: Goal, *, gain: float | None = None, play: float = 0.0, finest: float = 2.0) -> Counted:
    """`gain`, `play` from an earlier time, where known."""
    return Counted(goal, play, finest, gain)


def settled(state: Counted, value: float, turned: float = 0.0) -> Counted:
    """A settled reading, after `turned` degrees were turned since the one before (0 for the first)."""
    if state.value is None or turned == 0.0:
        return replace(state, value=value)
    way = math.copysign(1.0, turned)
    reversed_ = state.way not in (0.0, way)
    gain = state.gain
    if not reversed_ and value != state.value:
        gain = (value - state.value) / turned
    return replace(state, value=value, gain=gain, way=way, turns=state.turns + 1)


def ask(state: Counted) -> float | None:
    """Degrees to turn next, clockwise positive; None if the value is inside (or there is none yet)."""
    goal, value = state.goal, state.value
    if value is None or goal.low <= value <= goal.high:
        return None
    most = MOST * goal.travel
    if not state.gain:
        return _rounded(state, PROBE * goal.travel)
    degrees = min(max((goal.target - value) / state.gain, -most), most)
    way = math.copysign(1.0, degrees)
    if state.way not in (0.0, way):
        degrees += way * state.play
    return _rounded(state, degrees)


def words(degrees: float) -> str:
    """ "1 1/4 turns clockwise", "20 degrees counter-clockwise"."""
    way = "clockwise" if degrees > 0.0 else "counter-clockwise"
    size = abs(degrees)
    eighths = round(size / 45.0)
    if size < 90.0 or abs(size - 45.0 * eighths) > 5.0:
        return f"{size:.0f} degrees {way}" if size < 360.0 else f"{size / 360.0:.2f} turns {way}"
    whole, rest = divmod(eighths, 8)
    part = {0: "", 1: "1/8", 2: "1/4", 3: "3/8", 4: "1/2", 5: "5/8", 6: "3/4", 7: "7/8"}[rest]
    number = " ".join(filter(None, [str(whole) if whole else "", part]))
    return f"{number} turn{'s' if size > 360.0 else ''} {way}"


def _rounded(state: Counted, degrees: float) -> float:
    steps = max(1, round(abs(degrees) / state.finest))
    return math.copysign(steps * state.finest, degrees)
