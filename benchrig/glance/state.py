"""What the page shows, folded from notices by a pure function: old state and a notice in, new state out.

Bounded whatever the length of the job: the newest verdicts and alarms, and for each channel a trend that keeps the
extremes of what it has to thin.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from ..session import notices as n
from ..ui.words import CUE_WORDS, away_words, plain, sentence
from ..units import show

MOST_LINES = 12
MOST_POINTS = 600

Point = tuple[float, float, float]  # time, least, greatest


@dataclass(frozen=True, slots=True)
class Bar:
    """The gauge in words and places; positions as in `TrimView`."""

    name: str
    value: str
    target: str
    away: str
    cue: str
    position: float | None
    edges: tuple[float, float]
    held: float
    inside: bool
    stale: bool


@dataclass(frozen=True, slots=True)
class Glance:
    """The whole page."""

    job: str = "no job"
    step: str = ""
    outcome: str = ""
    bar: Bar | None = None
    hold_point: str = ""
    lost: Mapping[str, str] = field(default_factory=dict)  # instrument -> reason
    alarms: tuple[str, ...] = ()
    verdicts: tuple[str, ...] = ()
    trends: Mapping[str, tuple[Point, ...]] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)


def fold(glance: Glance, notice: n.Notice) -> Glance:
    """The page after `notice`."""
    change = _FOLDS.get(notice.kind)
    return change(glance, notice) if change else glance


def _job_started(glance: Glance, it: n.JobStarted) -> Glance:
    return Glance(job=plain(f"{it.procedure}  {it.unit_serial}".strip()))


def _step_started(glance: Glance, it: n.StepStarted) -> Glance:
    where = f" at {it.point}" if it.point else ""
    return replace(glance, step=plain(f"{it.number} of {it.of}: {it.title}{where}"), bar=None, hold_point="")


def _trim(glance: Glance, it: n.TrimMoved) -> Glance:
    view, goal = it.view, it.goal
    bar = Bar(
        name=plain(it.trimmer or it.step),
        value="--" if view.value is None else show(view.value, goal.unit),
        target=show(goal.target, goal.unit),
        away="" if view.distance is None else away_words(view.distance, goal.unit),
        cue=CUE_WORDS[view.cue],
        position=view.position,
        edges=view.edges,
        held=view.held,
        inside=view.value is not None and goal.low <= view.value <= goal.high,
        stale=view.stale,
    )
    return replace(glance, bar=bar)


def _reading(glance: Glance, it: n.ReadingTaken) -> Glance:
    reading = it.reading
    if not reading.usable or reading.value is None:
        return glance
    trend = thinned((*glance.trends.get(it.channel, ()), (reading.time, reading.value, reading.value)))
    return replace(
        glance,
        trends={**glance.trends, it.channel: trend},
        units={**glance.units, it.channel: reading.unit},
    )


def thinned(trend: tuple[Point, ...]) -> tuple[Point, ...]:
    """`trend` at most `MOST_POINTS` long: neighbours are joined in pairs, keeping both their extremes."""
    if len(trend) <= MOST_POINTS:
        return trend
    pairs = [trend[i : i + 2] for i in range(0, len(trend), 2)]
    return tuple((pair[0][0], min(p[1] for p in pair), max(p[2] for p in pair)) for pair in pairs)


def _hold_reached(glance: Glance, it: n.HoldPointReached) -> Glance:
    return replace(glance, hold_point="Hold point: waiting for the operator at the bench")


def _hold_answered(glance: Glance, it: n.HoldPointAnswered) -> Glance:
    return replace(glance, hold_point="HIGH VOLTAGE: keep away" if it.acknowledged else "")


def _hold_lapsed(glance: Glance, it: n.HoldPointLapsed) -> Glance:
    return _alarm(replace(glance, hold_point=""), it)


def _gap_opened(glance: Glance, it: n.GapOpened) -> Glance:
    return replace(glance, lost={**glance.lost, plain(it.instrument): plain(it.reason)})


def _gap_closed(glance: Glance, it: n.GapClosed) -> Glance:
    return replace(glance, lost={name: why for name, why in glance.lost.items() if name != plain(it.instrument)})


def _step_ended(glance: Glance, it: n.StepEnded) -> Glance:
    line = f"{plain(it.step)}: {sentence(it).strip()}"
    return replace(glance, bar=None, hold_point="", verdicts=(*glance.verdicts, line)[-MOST_LINES:])


def _said(glance: Glance, it: n.Said) -> Glance:
    return glance if it.level == "note" else _alarm(glance, it)


def _alarm(glance: Glance, it: n.Notice) -> Glance:
    return replace(glance, alarms=(*glance.alarms, sentence(it).strip())[-MOST_LINES:])


def _job_ended(glance: Glance, it: n.JobEnded) -> Glance:
    return replace(glance, outcome=plain(it.outcome), bar=None, hold_point="")


_FOLDS: dict[str, Callable[[Glance, Any], Glance]] = {
    "job started": _job_started,
    "step started": _step_started,
    "trim": _trim,
    "reading": _reading,
    "hold point": _hold_reached,
    "hold point answered": _hold_answered,
    "hold point lapsed": _hold_lapsed,
    "gap opened": _gap_opened,
    "gap closed": _gap_closed,
    "step ended": _step_ended,
    "said": _said,
    "job ended": _job_ended,
}
