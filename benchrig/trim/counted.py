"""Counted turns: what a degree of the screw does to the reading, learned from turns that were asked for and made.

Small screws and hands that work by touch miss the asked angle by some per cent, so a turn teaches the gain only so
well, and each proposal only has to be better than the last. All pure.

Rules it keeps:
- Degrees are clockwise positive, and rounded to what a hand can do with the screw: `finest`.
- A turn the other way first takes up the play: that much is asked for on top, and a change across a reversal teaches
  the play where the gain is known, and no gain.
- No turn asked for is longer than half the travel. The first one, where nothing is known, is `PROBE` of it.
- A turn that did the opposite of what the gain says makes the gain forgotten: the newest turn is believed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from .types import Goal

PROBE = 0.08  # of the travel: the first turn, where nothing is known of the gain
MOST = 0.5  # of the travel
MISSES = 0.15  # of an asked angle, the standard deviation of a hand (common practice, no source)
GUESS = 0.6  # relative uncertainty of a gain from what the whole travel does, or from a usual hand
SEEN = 10.0  # weight of a gain that was seen, and is no guess
FLOOR = 1.0  # degrees, the same for the smallest turns
MULTI_TURN = 360.0  # degrees of travel above which a screw has several turns
PLAY, PLAY_MULTI = 1.5, 20.0  # degrees of play before any was seen: 0.5 to 2, and 7 to 36 (common practice)


@dataclass(frozen=True, slots=True)
class Counted:
    """What is known of one trimmer that is set by counted turns.

    gain      change of the reading per degree clockwise; None until it was seen
    weight    of the gain: one over the square of its relative uncertainty
    play      degrees that a reversal loses; `play_weight` one over its variance
    finest    smallest turn worth asking for, in degrees
    value     the newest settled reading
    way       of the last turn, +1 clockwise, 0 before the first
    turns     how many were made
    """

    goal: Goal
    play: float = 0.0
    finest: float = 2.0
    gain: float | None = None
    weight: float = 0.0
    play_weight: float = 0.0
    value: float | None = None
    way: float = 0.0
    turns: int = 0


def start(goal: Goal, *, gain: float | None = None, play: float | None = None, finest: float | None = None) -> Counted:
    """`gain`, `play` from an earlier time, where known; `finest` by the travel where it is not given."""
    many = goal.travel > MULTI_TURN
    usual = PLAY_MULTI if many else PLAY
    known = usual if play is None else play
    weight = 0.0 if gain is None else 1.0 / MISSES**2
    return Counted(goal, known, finest or (5.0 if many else 1.0), gain, weight, 1.0 / usual**2)


def guessed(goal: Goal, gain: float, play: float | None) -> Counted:
    """With a gain that is no more than a guess: the first turn seen counts far more."""
    return replace(start(goal, gain=gain, play=play), weight=1.0 / GUESS**2)


def settled(state: Counted, value: float, turned: float = 0.0, noise: float = 0.0) -> Counted:
    """A settled reading, after `turned` degrees since the one before (0: none); `noise` is its standard deviation."""
    if state.value is None or turned == 0.0:
        return replace(state, value=value)
    way = math.copysign(1.0, turned)
    known = replace(state, value=value, way=way, turns=state.turns + 1)
    change = value - state.value
    if abs(change) <= 3.0 * noise:
        return known
    if state.way not in (0.0, way) and state.gain is not None and state.weight >= SEEN:
        return _play_seen(known, change, turned)
    return _gain_seen(known, change / turned, turned, noise)


def _gain_seen(state: Counted, seen: float, turned: float, noise: float) -> Counted:
    """The mean of what was seen and what was known, each by what it is worth."""
    part = abs(turned) * abs(seen)
    variance = MISSES**2 + (FLOOR / turned) ** 2 + (1.5 * noise / part) ** 2
    before = state.gain
    if before is None or before * seen <= 0.0:
        return replace(state, gain=seen, weight=1.0 / variance)
    if state.weight > 10.0 and not 1.0 / 3.0 < seen / before < 3.0:  # no trimmer is so curved
        return replace(state, gain=seen, weight=0.5 / variance)
    weight = state.weight + 1.0 / variance
    gain = (before * state.weight + seen / variance) / weight
    return replace(state, gain=gain, weight=min(weight, 4.0 / MISSES**2))  # curved ones are followed


def _play_seen(state: Counted, change: float, turned: float) -> Counted:
    """What a reversal lost: the asked angle without what arrived. More than was asked: the gain was too small."""
    assert state.gain is not None
    lost = abs(turned) - change / state.gain * math.copysign(1.0, turned)
    variance = (1.5 * MISSES * turned) ** 2 + FLOOR**2
    if lost < -2.0 * math.sqrt(variance):
        return replace(state, gain=change / turned, weight=1.0 / (MISSES**2 + (FLOOR / turned) ** 2))
    weight = state.play_weight + 1.0 / variance
    play = (state.play * state.play_weight + lost / variance) / weight
    return replace(state, play=min(max(play, 0.0), 0.1 * state.goal.travel), play_weight=weight)


def ask(state: Counted, aim: float | None = None) -> float | None:
    """Degrees to turn next, clockwise positive; without `aim`, None if the value is inside (or there is none yet)."""
    goal, value = state.goal, state.value
    if value is None or (aim is None and goal.low <= value <= goal.high):
        return None
    most = MOST * goal.travel
    if not state.gain:
        return rounded(state, _probe(state, (goal.target if aim is None else aim) - value))
    degrees = min(max(((goal.target if aim is None else aim) - value) / state.gain, -most), most)
    way = math.copysign(1.0, degrees)
    if state.way not in (0.0, way):
        degrees += way * state.play
    return rounded(state, degrees)


def _probe(state: Counted, distance: float) -> float:
    """The first turn: half the way if it goes the right one, as far as is known what the whole travel does."""
    goal = state.goal
    if not goal.span:
        return PROBE * goal.travel
    return min(max(0.5 * abs(distance / goal.span), PROBE / 2.0), 2.0 * PROBE) * goal.travel


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


def rounded(state: Counted, degrees: float) -> float:
    """As fine as a hand can turn it."""
    steps = max(1, round(abs(degrees) / state.finest))
    return math.copysign(steps * state.finest, degrees)
