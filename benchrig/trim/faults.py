"""Faults of the trimmer itself, told from the readings of one stretch of turning. Pure.

A wiper that jumps: a hand turns one way during a stretch, so the reading rises (or falls) all along; where it falls
back by more than noise, the wiper has lost contact for a moment. A stretch that went the wrong way as a whole says
nothing: there the hand did not do as told.
"""

from __future__ import annotations

from collections.abc import Sequence


def drops(values: Sequence[float], way: float, least: float) -> int:
    """How often the values fall back by more than `least` from the farthest they had come; `way` is +1 or -1.

    After each one the count begins anew from where it fell to. 0 where the whole of it went the other way.
    """
    if len(values) < 3 or way * (values[-1] - values[0]) <= 0.0:
        return 0
    found, top = 0, way * values[0]
    for value in values[1:]:
        if way * value < top - least:
            found += 1
            top = way * value
        top = max(top, way * value)
    return found
