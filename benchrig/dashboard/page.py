"""The page's state in words and places, as JSON's own types. Pure. Made only when somebody looks, once for all of them.

Positions are -1..+1 along a bar. Colour and state follow the number and its limits, never the cue.
"""

from __future__ import annotations

import math
from datetime import datetime
from typing import Any

from ..session.notices import ChannelView, SoakMoved, TrimMoved
from ..ui.sentences import CUE_WORDS, away_words, plain, span
from ..units import show, show_window
from .state import Dashboard, OpenAlarm

MOST_LETTERS = 300  # of an alarm's words
_BEYOND = 0.35  # of the span of the limits: how far a tile's bar goes on outside them


def page_data(dashboard: Dashboard) -> dict[str, Any]:
    """Everything but the trends."""
    return {
        "job": dashboard.job,
        "step": dashboard.step,
        "outcome": dashboard.outcome,
        "hold_point": dashboard.hold_point,
        "bar": None if dashboard.trim is None else bar(dashboard.trim),
        "soak": None if dashboard.soak is None else soak(dashboard.soak),
        "lost": dict(dashboard.lost),
        "alarms": [alarm(it) for it in sorted(dashboard.alarms.values(), key=_first)],
        "remarks": list(dashboard.remarks),
        "verdicts": list(dashboard.verdicts),
    }


def bar(it: TrimMoved) -> dict[str, Any]:
    """The gauge of a trim."""
    view, goal = it.view, it.goal
    return {
        "name": plain(it.trimmer or it.step),
        "value": "--" if view.value is None else show(view.value, goal.unit),
        "target": show(goal.target, goal.unit),
        "away": "" if view.distance is None else away_words(view.distance, goal.unit),
        "cue": CUE_WORDS[view.cue],
        "position": _finite(view.position),
        "edges": [_finite(edge) for edge in view.edges],
        "held": view.held,
        "inside": view.value is not None and goal.low <= view.value <= goal.high,
        "stale": view.stale,
    }


def soak(it: SoakMoved) -> dict[str, Any]:
    """The tiles of a watch and its time."""
    whole = None if it.remaining is None else it.elapsed + it.remaining
    return {
        "state": plain(it.state),
        "elapsed": span(it.elapsed),
        "left": "" if it.remaining is None else span(it.remaining),
        "done": 0.0 if not whole else min(1.0, it.elapsed / whole),
        "tiles": [tile(channel) for channel in it.channels],
    }


def tile(it: ChannelView) -> dict[str, Any]:
    """One channel."""
    low, high = _limits(it)
    return {
        "name": it.name,  # as in the trends; the page writes it as text
        "value": "--" if it.value is None else show(it.value, it.unit),
        "limits": show_window(it.low, it.high, it.unit),
        "state": it.state,
        "since": _clock_words(it.since),
        "position": None if _finite(it.value) is None else _place(it.value or 0.0, low, high),
        "window": _stretch(it.low, it.high, low, high),
        "acceptable": _stretch(it.acceptable_low, it.acceptable_high, low, high),
        "levels": [it.low, it.high],
    }


def alarm(it: OpenAlarm) -> dict[str, Any]:
    """One open alarm."""
    return {
        "severity": it.severity,
        "title": it.title,
        "words": it.words[:MOST_LETTERS],
        "since": _clock_words(it.raised),
        "count": it.count,
        "acknowledged": it.acknowledged,
        "active": it.active,
        "loud": it.loud,
    }


def _finite(value: float | None) -> float | None:
    """JSON has no other numbers."""
    return value if value is not None and math.isfinite(value) else None


def _first(it: OpenAlarm) -> tuple[bool, bool, bool, float]:
    """What nobody has acknowledged comes first, then loud ones, then what must stop the bench; newest first."""
    return bool(it.acknowledged), not it.loud, it.severity != "stop", -it.raised.timestamp()


def _limits(it: ChannelView) -> tuple[float, float]:
    """What the window's part of a bar stands for: the widest limits; with limits on one side, as far again as they
    are from 0 on the other; (0, 0) where there are none.
    """
    lows = [at for at in (it.low, it.acceptable_low) if at is not None]
    highs = [at for at in (it.high, it.acceptable_high) if at is not None]
    if lows and highs and min(lows) < max(highs):
        return min(lows), max(highs)
    if lows:
        return min(lows), min(lows) + (abs(min(lows)) or 1.0)
    if highs:
        return max(highs) - (abs(max(highs)) or 1.0), max(highs)
    return 0.0, 0.0


def _stretch(low: float | None, high: float | None, bar_low: float, bar_high: float) -> list[float] | None:
    """Where limits stand on a bar; to its end where there is none on that side."""
    if low is None and high is None:
        return None
    return [
        -1.0 if low is None else _place(low, bar_low, bar_high),
        1.0 if high is None else _place(high, bar_low, bar_high),
    ]


def _place(value: float, low: float, high: float) -> float:
    """-1..+1 on a bar that goes on beyond `low` and `high`."""
    if high <= low:
        return 0.0
    half = (0.5 + _BEYOND) * (high - low)
    return max(-1.0, min(1.0, (value - (low + high) / 2.0) / half))


def _clock_words(stamp: datetime) -> str:
    """ISO 8601; the page writes it in the viewer's own time."""
    return stamp.isoformat(timespec="seconds")
