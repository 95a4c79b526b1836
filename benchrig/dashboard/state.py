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
from ..ui.sentences import plain, sentence

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
class Dashboard:
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


def fold(dashboard: Dashboard, notice: n.Notice) -> Dashboard:
    """The page after `notice`."""
    change = _FOLDS.get(notice.kind)
    return change(dashboard, notice) if change else dashboard


def _job_started(dashboard: Dashboard, it: n.JobStarted) -> Dashboard:
    return Dashboard(job=plain(f"{it.procedure}  {it.unit_serial}".strip()))


def _step_started(dashboard: Dashboard, it: n.StepStarted) -> Dashboard:
    where = f" at {it.point}" if it.point else ""
    step = plain(f"{it.number} of {it.of}: {it.title}{where}")
    return replace(dashboard, step=step, outcome="", trim=None, soak=None, waiting=False)


def _trim(dashboard: Dashboard, it: n.TrimMoved) -> Dashboard:
    return replace(dashboard, trim=it)


def _soak(dashboard: Dashboard, it: n.SoakMoved) -> Dashboard:
    return replace(dashboard, soak=it)


def _hold_reached(dashboard: Dashboard, it: n.HoldPointReached) -> Dashboard:
    return replace(dashboard, waiting=True)


def _hold_answered(dashboard: Dashboard, it: n.HoldPointAnswered) -> Dashboard:
    return replace(dashboard, waiting=False, live=True) if it.acknowledged else dashboard


def _made_safe(dashboard: Dashboard, it: n.MadeSafe) -> Dashboard:
    return replace(dashboard, live=False)


def _link_down(dashboard: Dashboard, it: n.LinkDown) -> Dashboard:
    return replace(dashboard, lost={**dashboard.lost, plain(it.instrument): plain(it.reason)})


def _link_up(dashboard: Dashboard, it: n.LinkUp) -> Dashboard:
    return replace(dashboard, lost={name: why for name, why in dashboard.lost.items() if name != plain(it.instrument)})


def _alarm_raised(dashboard: Dashboard, it: n.AlarmRaised) -> Dashboard:
    alarm = OpenAlarm(
        it.severity, plain(it.title), plain(it.words), it.raised, it.count, active=it.active, loud=it.loud
    )
    rest = {key: other for key, other in dashboard.alarms.items() if key != it.key}
    kept = dict(list(rest.items())[-(MOST_ALARMS - 1) :])
    return replace(dashboard, alarms={**kept, it.key: alarm})


def _alarm_cleared(dashboard: Dashboard, it: n.AlarmCleared) -> Dashboard:
    return _alarm_changed(dashboard, it.key, gone=it.acknowledged, active=False)


def _alarm_acknowledged(dashboard: Dashboard, it: n.AlarmAcknowledged) -> Dashboard:
    return _alarm_changed(dashboard, it.key, gone=not it.active, acknowledged=plain(it.by) or "the operator")


def _alarm_changed(dashboard: Dashboard, key: str, *, gone: bool, **change: Any) -> Dashboard:
    if key not in dashboard.alarms:
        return dashboard
    if gone:
        return replace(dashboard, alarms={other: it for other, it in dashboard.alarms.items() if other != key})
    return replace(dashboard, alarms={**dashboard.alarms, key: replace(dashboard.alarms[key], **change)})


def _step_ended(dashboard: Dashboard, it: n.StepEnded) -> Dashboard:
    line = f"{plain(it.step)}: {sentence(it).strip()}"
    return replace(dashboard, trim=None, soak=None, waiting=False, verdicts=(*dashboard.verdicts, line)[-MOST_LINES:])


def _said(dashboard: Dashboard, it: n.Said) -> Dashboard:
    return dashboard if it.level == "note" else _remark(dashboard, it)


def _remark(dashboard: Dashboard, it: n.Notice) -> Dashboard:
    return replace(dashboard, remarks=(*dashboard.remarks, sentence(it).strip())[-MOST_LINES:])


def _job_ended(dashboard: Dashboard, it: n.JobEnded) -> Dashboard:
    return replace(dashboard, outcome=plain(it.outcome), trim=None, soak=None, waiting=False)


_FOLDS: dict[str, Callable[[Dashboard, Any], Dashboard]] = {
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
