"""What the page shows, folded from notices by a pure function: old state and a notice in, new state out.

Bounded whatever the length of the job: the newest verdicts and remarks, the open alarms. Trends are in `trends`.
Folding keeps notices as they are; words are made of them in `page`, when somebody looks.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from ..session import notices as n
from ..ui.words import plain, sentence

MOST_LINES = 12
MOST_ALARMS = 100


@dataclass(frozen=True, slots=True)
class OpenAlarm:
    """One open alarm."""

    severity: str
    title: str
    words: str
    raised: datetime
    count: int = 1
    acknowledged: str = ""  # by whom
    active: bool = True
    loud: bool = False


@dataclass(frozen=True, slots=True)
class Glance:
    """The whole page but its trends."""

    job: str = "no job"
    step: str = ""
    outcome: str = ""
    trim: n.TrimMoved | None = None
    soak: n.SoakMoved | None = None
    waiting: bool = False  # at a hold point, for the person at the bench
    live: bool = False  # a hazardous point, from its acknowledgement until it was seen safe
    lost: Mapping[str, str] = field(default_factory=dict)  # instrument -> reason
    alarms: Mapping[str, OpenAlarm] = field(default_factory=dict)  # key -> alarm
    remarks: tuple[str, ...] = ()
    verdicts: tuple[str, ...] = ()

    @property
    def hold_point(self) -> str:
        """What is dangerous, and who is waited for, in words; "" for nothing."""
        live = "HIGH VOLTAGE: keep away" if self.live else ""
        waiting = "Hold point: waiting for the operator at the bench" if self.waiting else ""
        return ". ".join(words for words in (live, waiting) if words)


def fold(glance: Glance, notice: n.Notice) -> Glance:
    """The page after `notice`."""
    change = _FOLDS.get(notice.kind)
    return change(glance, notice) if change else glance


def _job_started(glance: Glance, it: n.JobStarted) -> Glance:
    return Glance(job=plain(f"{it.procedure}  {it.unit_serial}".strip()))


def _step_started(glance: Glance, it: n.StepStarted) -> Glance:
    where = f" at {it.point}" if it.point else ""
    step = plain(f"{it.number} of {it.of}: {it.title}{where}")
    return replace(glance, step=step, outcome="", trim=None, soak=None, waiting=False)


def _trim(glance: Glance, it: n.TrimMoved) -> Glance:
    return replace(glance, trim=it)


def _soak(glance: Glance, it: n.SoakMoved) -> Glance:
    return replace(glance, soak=it)


def _hold_reached(glance: Glance, it: n.HoldPointReached) -> Glance:
    return replace(glance, waiting=True)


def _hold_answered(glance: Glance, it: n.HoldPointAnswered) -> Glance:
    return replace(glance, waiting=False, live=True) if it.acknowledged else glance


def _made_safe(glance: Glance, it: n.MadeSafe) -> Glance:
    return replace(glance, live=False)


def _link_down(glance: Glance, it: n.LinkDown) -> Glance:
    return replace(glance, lost={**glance.lost, plain(it.instrument): plain(it.reason)})


def _link_up(glance: Glance, it: n.LinkUp) -> Glance:
    return replace(glance, lost={name: why for name, why in glance.lost.items() if name != plain(it.instrument)})


def _alarm_raised(glance: Glance, it: n.AlarmRaised) -> Glance:
    alarm = OpenAlarm(
        it.severity, plain(it.title), plain(it.words), it.raised, it.count, active=it.active, loud=it.loud
    )
    rest = {key: other for key, other in glance.alarms.items() if key != it.key}
    kept = dict(list(rest.items())[-(MOST_ALARMS - 1) :])
    return replace(glance, alarms={**kept, it.key: alarm})


def _alarm_cleared(glance: Glance, it: n.AlarmCleared) -> Glance:
    return _alarm_changed(glance, it.key, gone=it.acknowledged, active=False)


def _alarm_acknowledged(glance: Glance, it: n.AlarmAcknowledged) -> Glance:
    return _alarm_changed(glance, it.key, gone=not it.active, acknowledged=plain(it.by) or "the operator")


def _alarm_changed(glance: Glance, key: str, *, gone: bool, **change: Any) -> Glance:
    if key not in glance.alarms:
        return glance
    if gone:
        return replace(glance, alarms={other: it for other, it in glance.alarms.items() if other != key})
    return replace(glance, alarms={**glance.alarms, key: replace(glance.alarms[key], **change)})


def _step_ended(glance: Glance, it: n.StepEnded) -> Glance:
    line = f"{plain(it.step)}: {sentence(it).strip()}"
    return replace(glance, trim=None, soak=None, waiting=False, verdicts=(*glance.verdicts, line)[-MOST_LINES:])


def _said(glance: Glance, it: n.Said) -> Glance:
    return glance if it.level == "note" else _remark(glance, it)


def _remark(glance: Glance, it: n.Notice) -> Glance:
    return replace(glance, remarks=(*glance.remarks, sentence(it).strip())[-MOST_LINES:])


def _job_ended(glance: Glance, it: n.JobEnded) -> Glance:
    return replace(glance, outcome=plain(it.outcome), trim=None, soak=None, waiting=False)


_FOLDS: dict[str, Callable[[Glance, Any], Glance]] = {
    "job started": _job_started,
    "step started": _step_started,
    "trim": _trim,
    "soak": _soak,
    "hold point": _hold_reached,
    "hold point answered": _hold_answered,
    "hold point lapsed": _remark,
    "made safe": _made_safe,
    "link down": _link_down,
    "link up": _link_up,
    "alarm raised": _alarm_raised,
    "alarm cleared": _alarm_cleared,
    "alarm acknowledged": _alarm_acknowledged,
    "step ended": _step_ended,
    "said": _said,
    "job ended": _job_ended,
}
