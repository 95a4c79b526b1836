"""Faults of the trimmer itself, told from the readings of one stretch of turning. Pure.

A wiper that jumps: a hand turns one way during a stretch, so the reading rises (or falls) all along; where it swings
to and fro by more than noise, the wiper has lost contact for a moment. How fast the hand goes says nothing: people
regrip, so only a swing against the turning counts.

A hand may begin the wrong way and turn round when it sees that: one such swing at the beginning is the person's,
unless that hand had found the way before.
"""

from __future__ import annotations

from collections.abc import Sequence


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
    """How many swings no hand told to turn `way` (+1, -1) would make; `knows` that it had turned as told before."""
    ways = swings(values, least)
    false_start = bool(ways) and ways[0] != way and not knows
    return max(0, len(ways) - (2 if false_start else 1))


def against(values: Sequence[float], way: float, least: float) -> int:
    """Swings against a turning that goes `way`; one at the beginning may still be the turn before."""
    return sum(it != way for it in swings(values, least)[1:])
