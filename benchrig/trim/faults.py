"""Faults of the trimmer itself, told from the readings of one stretch of turning. Pure.

A wiper that jumps: a hand turns one way during a stretch, so the reading rises (or falls) all along; where it swings
to and fro by more than noise, the wiper has lost contact for a moment. How fast the hand goes says nothing: people
regrip, so only a swing against the turning counts.

A hand may begin the wrong way and turn round when it sees that: one such swing at the beginning is the person's,
unless it happens again to a hand that knows the way.
"""

from __future__ import annotations

from collections.abc import Sequence

CERTAIN = 2


def swings(values: Sequence[float], least: float) -> tuple[float, ...]:
    """The ways (+1, -1) in which the values went in turn, each by more than `least` before going back as much."""
    found: list[float] = []
    low = high = values[0] if values else 0.0
    for value in values:
        low, high = min(low, value), max(high, value)
        way = 1.0 if value > low + least else -1.0 if value < high - least else 0.0
        if way and (not found or found[-1] != way):
            found.append(way)
        if way or found:
            low, high = _since(found[-1], value, low, high)
    return tuple(found)


def _since(way: float, value: float, low: float, high: float) -> tuple[float, float]:
    """The range that the next swing is measured from: the farthest point of this one is its beginning."""
    return (high, high) if way > 0.0 else (low, low)


def jumps(values: Sequence[float], way: float, least: float, *, knows: bool) -> int:
    """How much the swings of a stretch told `way` (+1, -1) speak for a wiper that jumps; from `CERTAIN` on it is named.

    `knows`  the hand had turned as told before, so a false start counts as well, but one alone is not enough.
    """
    ways = swings(values, least)
    if len(ways) == 2 and ways[0] != way:
        return 1 if knows else 0
    return CERTAIN * max(0, len(ways) - (1 if ways and ways[0] == way else 2))
