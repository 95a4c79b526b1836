"""How long the hands may turn before they are told to stop: learned from how far they went before.

The engine never sees the hand. It sees what a stretch of turning did to the reading, and takes the next stretch to
go about as fast. While readings come fast enough to show the turning itself, their slope is believed instead.

A hand starts one reaction late and stops one reaction late, so a stretch that is cued for p seconds moves for p.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from ..readings import Reading
from .estimate import seen_at, slope, value_of
from .types import Goal

REACTION = 0.30  # s, visual reaction of a person at a bench (0.2 to 0.35 in the literature)
SHORTEST = 0.25  # s, a cue shorter than this is not followed
FIRST = 0.40  # s, the first stretch, before anything is known of the hand
BRIEF = 1.0  # s, where bold turning would take less than this, turn slowly
TOP_SPEED = 360.0  # degrees/s, the fastest hand
LONGEST = 4.0  # s, a stretch in which nothing is seen to move
BOLD_POWER = 0.2  # a hand told to turn keeps its pace; one told to turn slowly goes by what is left
SLOW_POWER = 0.8


@dataclass(frozen=True, slots=True)
class TurningPace:
    """What one kind of turning was seen to do.

    speed     units per second of cue
    distance  units from the target when that stretch began
    power     how the speed falls as the distance shrinks: 0 not at all, 1 in proportion
    """

    speed: float
    distance: float
    power: float = BOLD_POWER

    def expect(self, distance: float) -> float:
        """Units per second to expect at `distance` from the target."""
        ratio = distance / self.distance
        return self.speed * (ratio if ratio > 1.0 else ratio**self.power)

    def slowly(self) -> TurningPace:
        """What to expect of slow turning when only bold turning was seen: in proportion, from a third of the speed."""
        return TurningPace(self.speed / 3.0, self.distance / 3.0, SLOW_POWER)

    def boldly(self) -> TurningPace:
        """What to expect of bold turning when only slow turning was seen: the other way round."""
        return TurningPace(self.speed * 3.0, self.distance, BOLD_POWER)


@dataclass(frozen=True, slots=True)
class HandMove:
    """A stretch of turning under one cue.

    began    when the cue said "turn"
    start    the value then
    way      +1 up, -1 down
    slow     told "slowly"
    reverse  the other way than the stretch before
    until    when the cue says "stop"
    stuck    it was stopped because nothing had moved for long
    back_off it goes back from a suspected end of the travel, to see whether it turns
    brief    it is over so soon that the hand plans it as a whole
    judged_from  before then it says nothing of the way that raises the reading
    told     the person has said that the tool was turned
    """

    began: float
    start: float
    way: float
    slow: bool
    reverse: bool
    until: float
    stuck: bool = False
    back_off: bool = False
    told: bool = False
    brief: bool = False
    judged_from: float = -math.inf


@dataclass(frozen=True, slots=True)
class Ask:
    """Turn `degrees` (clockwise positive), asked for at `since` from `value`.

    moved_at  the end of the first reading that shows a movement; `whole_at`, when even a slow hand
              has ended, `likely_at`, when most have
    back_off  it goes back from where nothing came of a turn, to see whether the screw turns anything
    hidden    readings have failed since, so it may have been made unseen: it is not asked for until that is known
    reverses  it goes the other way than the turn before
    made      when the person has said that it is made
    """

    degrees: float
    since: float
    value: float
    moved_at: float | None = None
    whole_at: float = math.inf
    likely_at: float = math.inf
    made: float | None = None
    hidden: bool = False
    reverses: bool = False
    back_off: bool = False


@dataclass(frozen=True, slots=True)
class Wall:
    """Where turning `way` (+1 up, -1 down) seems to have no effect beyond `value`."""

    way: float
    value: float


def stop_time(
    move: HandMove, shown: Sequence[Reading], pace: TurningPace | None, goal: Goal, sigma: float, threshold: float
) -> float:
    """When to say "stop" so that the hand comes to rest at the target.

    `shown` are the readings since the stretch began, `threshold` the least change that is not noise. Nothing can
    have moved before one reaction has passed, so readings that show no change put the moment off.
    """
    here = value_of(shown[-1]) if shown else move.start
    known_at = max(move.began + REACTION, seen_at(shown[-1], goal) if shown else move.began)
    left = max(0.0, move.way * (goal.target - here))
    speed = _seen_speed(move, shown, sigma, threshold)
    if speed is None and pace is not None:
        speed = pace.expect(max(abs(goal.target - move.start), threshold))
    return known_at - REACTION + (_first(left, goal) if speed is None else left / speed)


def _first(left: float, goal: Goal) -> float:
    """Seconds of a first stretch: short, but no shorter than the fastest hand needs to cover what is left."""
    if goal.span is None or goal.span <= 0.0:
        return FIRST
    return max(FIRST, left / goal.span * goal.travel / TOP_SPEED)


def _seen_speed(move: HandMove, shown: Sequence[Reading], sigma: float, threshold: float) -> float | None:
    """Units per second as the readings show it, where they show it beyond their noise.

    The slope of n even readings over a time t has a standard deviation of sigma * sqrt(12 / n) / t.
    """
    newest = shown[-4:]
    rate = slope(newest)
    if rate is None or move.way * (value_of(newest[-1]) - move.start) < threshold:
        return None
    uncertainty = sigma * math.sqrt(12.0 / len(newest)) / (newest[-1].time - newest[0].time)
    return abs(rate) if rate * move.way > 3.0 * uncertainty else None


def learn(before: TurningPace | None, move: HandMove, moved: float, goal: Goal, threshold: float) -> TurningPace | None:
    """The pace after a stretch that moved the value by `moved` its way; unchanged where that is only noise."""
    length = max(SHORTEST, move.until - move.began)
    if moved < threshold:
        return before
    power = SLOW_POWER if move.slow else BOLD_POWER
    return TurningPace(moved / length, max(abs(goal.target - move.start), threshold), power)
