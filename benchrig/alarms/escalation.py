"""When an alarm is told, pure: events in, a new state and effects out. `Alarms` runs it.

Rules it keeps:
1. One alarm is open for each key. Raised again while it is open, it is folded in and counted.
2. An open alarm is told again every `repeat` seconds until somebody acknowledges it, also where the trouble has gone by
   itself. It leaves when it is acknowledged and the trouble is gone. (The four states of ISA-18.2 and IEC 62682.)
3. Worse than it was, it counts as not acknowledged. Where making safe has failed it is loud: told every `loud_repeat`.
4. Raised anew within `quiet` seconds of its last telling, it waits for them to pass. It is late then, never lost.
5. Beyond `MOST_OPEN` keys one alarm stands for all that is new. It counts as not acknowledged whenever another key
   comes to it, and is gone when all of them are.
6. At most `per_minute` tellings a minute. The last of them tells all that is left in one summary; something new that
   must stop the bench waits at most `URGENT` seconds for its place in one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

from .types import RANK, SUMMARY, Alarm, Severity

MINUTE = 60.0
URGENT = 5.0  # s; the least time between summaries beyond `per_minute`
MOST_OPEN = 200  # keys with an alarm of their own
MOST_BEYOND = 2000  # keys that are remembered of those without; of others each raising counts as new
MOST_NAMED = 20  # alarms named in a summary
OVERFLOW = "more alarms"


@dataclass(frozen=True, slots=True)
class Policy:
    """How alarms are told; seconds, and tellings in a minute."""

    repeat: float = 300.0
    loud_repeat: float = 30.0
    quiet: float = 60.0
    per_minute: int = 6


@dataclass(frozen=True, slots=True)
class Raised:
    """Something is wrong."""

    key: str
    severity: Severity
    title: str
    words: str
    unit_serial: str
    channel: str
    stamp: datetime
    loud: bool = False


@dataclass(frozen=True, slots=True)
class Cleared:
    """It is well again."""

    key: str


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """Somebody acknowledges it, or everything where `key` is None."""

    key: str | None = None


@dataclass(frozen=True, slots=True)
class AlarmTick:
    """Time has passed."""

    stamp: datetime


Event = Raised | Cleared | Acknowledged | AlarmTick


@dataclass(frozen=True, slots=True)
class Open:
    """One open alarm. `due`: when it is told next; inf once it is acknowledged."""

    alarm: Alarm
    due: float
    told_at: float = -math.inf
    acknowledged: bool = False


@dataclass(frozen=True, slots=True)
class AlarmState:
    """All open alarms, and what was told lately."""

    policy: Policy = field(default_factory=Policy)
    open: Mapping[str, Open] = field(default_factory=dict)
    recent: tuple[float, ...] = ()  # when something was told, in the last minute
    left: Mapping[str, float] = field(default_factory=dict)  # key -> last telling of what is no longer open
    beyond: frozenset[str] = frozenset()  # keys that `OVERFLOW` stands for
    openings: int = 0
    summaries: int = 0


@dataclass(frozen=True, slots=True)
class Tell:
    """To every caller."""

    alarm: Alarm


@dataclass(frozen=True, slots=True)
class Show:
    """To the screen: it opened, grew worse, or is repeated. Never held back."""

    alarm: Alarm


@dataclass(frozen=True, slots=True)
class Gone:
    """The trouble has gone; `acknowledged` True: and with it the alarm."""

    alarm: Alarm
    acknowledged: bool


@dataclass(frozen=True, slots=True)
class AlarmTaken:
    """Somebody has acknowledged it; nothing of it is to be told any more."""

    alarm: Alarm


Effect = Tell | Show | Gone | AlarmTaken


def step(state: AlarmState, event: Event, now: float) -> tuple[AlarmState, tuple[Effect, ...]]:
    """One event at `now`, monotonic seconds."""
    match event:
        case Raised():
            state, effects = _raised(state, event, now)
        case Cleared(key):
            state, effects = _cleared(state, key)
        case Acknowledged(key):
            state, effects = _acknowledged(state, key)
        case AlarmTick():
            effects = ()
    stamp = event.stamp if isinstance(event, Raised | AlarmTick) else None
    if stamp is None:
        return state, effects
    state, told = _tell(_forgotten(state, now), now, stamp)
    shown = {effect.alarm.key for effect in told if isinstance(effect, Show)}
    return state, (*(effect for effect in effects if effect.alarm.key not in shown), *told)


def _raised(state: AlarmState, event: Raised, now: float) -> tuple[AlarmState, tuple[Effect, ...]]:
    if event.key not in state.open and (event.key in state.beyond or len(state.open) >= MOST_OPEN):
        state, event = _beyond(state, event, now)
    known = state.open.get(event.key)
    if known is None:
        state = replace(state, openings=state.openings + 1)
        after = Open(
            _opened(event, state.openings), max(now, state.left.get(event.key, -math.inf) + state.policy.quiet)
        )
    else:
        after = _folded(known, event, now, state.policy)
    worse = known is None or not known.alarm.active or _grew(known.alarm, event)
    return _with(state, after), (Show(after.alarm),) if worse else ()


def _beyond(state: AlarmState, event: Raised, now: float) -> tuple[AlarmState, Raised]:
    """`event` as one of `OVERFLOW`, which is to be told again if it is news to it."""
    known = state.open.get(OVERFLOW)
    if event.key not in state.beyond and known is not None:
        due = min(known.due, max(now, known.told_at + state.policy.quiet))
        state = _with(state, replace(known, acknowledged=False, due=due))
    if len(state.beyond) < MOST_BEYOND:
        state = replace(state, beyond=state.beyond | {event.key})
    title = f"More than {MOST_OPEN} alarms at once; newest: {event.title}"
    return state, replace(event, key=OVERFLOW, title=title)


def _opened(event: Raised, opening: int) -> Alarm:
    return Alarm(
        event.key, event.severity, event.title, event.words, event.unit_serial, event.channel, event.stamp,
        number=0, loud=event.loud, opening=opening,
    )  # fmt: skip


def _folded(known: Open, event: Raised, now: float, policy: Policy) -> Open:
    old = known.alarm
    grew = _grew(old, event)
    alarm = replace(
        old,
        severity=max(old.severity, event.severity, key=RANK.__getitem__),
        title=event.title,
        words=event.words,
        count=old.count + 1,
        active=True,
        loud=old.loud or event.loud,
    )
    if grew:
        return replace(known, alarm=alarm, due=now, acknowledged=False)
    due = known.due if old.active else min(known.due, max(now, known.told_at + policy.quiet))
    return replace(known, alarm=alarm, due=due)


def _grew(old: Alarm, event: Raised) -> bool:
    return RANK[event.severity] > RANK[old.severity] or (event.loud and not old.loud)


def _cleared(state: AlarmState, key: str) -> tuple[AlarmState, tuple[Effect, ...]]:
    if key in state.beyond:
        state = replace(state, beyond=state.beyond - {key})
        key = key if state.beyond else OVERFLOW
    known = state.open.get(key)
    if known is None or not known.alarm.active:
        return state, ()
    alarm = replace(known.alarm, active=False)
    after = _without(state, known) if known.acknowledged else _with(state, replace(known, alarm=alarm))
    return after, (Gone(alarm, known.acknowledged),)


def _acknowledged(state: AlarmState, key: str | None) -> tuple[AlarmState, tuple[Effect, ...]]:
    effects: list[Effect] = []
    for name, known in state.open.items():
        if known.acknowledged or key not in (None, name):
            continue
        effects.append(AlarmTaken(known.alarm))
        done = replace(known, acknowledged=True, due=math.inf)
        state = _with(state, done) if known.alarm.active else _without(state, known)
    return state, tuple(effects)


def _with(state: AlarmState, changed: Open) -> AlarmState:
    return replace(state, open={**state.open, changed.alarm.key: changed})


def _without(state: AlarmState, known: Open) -> AlarmState:
    key = known.alarm.key
    rest = {name: other for name, other in state.open.items() if name != key}
    return replace(state, open=rest, left={**state.left, key: known.told_at})


def _forgotten(state: AlarmState, now: float) -> AlarmState:
    """Without what no longer matters."""
    if (not state.recent or now - state.recent[0] < MINUTE) and not state.left:
        return state
    quiet = state.policy.quiet
    return replace(
        state,
        recent=tuple(at for at in state.recent if now - at < MINUTE),
        left={key: at for key, at in state.left.items() if now - at < quiet},
    )


def _tell(state: AlarmState, now: float, stamp: datetime) -> tuple[AlarmState, tuple[Effect, ...]]:
    """Tell what is due, as far as the minute allows."""
    due = sorted((it for it in state.open.values() if it.due <= now), key=_urgency)
    if not due:
        return state, ()
    free = state.policy.per_minute - len(state.recent)
    if free <= 0 and not (any(_new_and_grave(it) for it in due) and now - state.recent[-1] >= URGENT):
        return state, ()
    told = [_told(it, now, stamp, state.policy) for it in due]
    for it in told:
        state = _with(state, it)
    alarms = [it.alarm for it in told]
    singly = len(due) if len(due) <= free else max(0, free - 1)
    effects: list[Effect] = [Show(alarm) for alarm in alarms if alarm.number > 1]
    effects += [Tell(alarm) for alarm in alarms[:singly]]
    if rest := alarms[singly:]:
        state = replace(state, summaries=state.summaries + 1)
        effects.append(Tell(_summary(rest, state.summaries, stamp)))
    return replace(state, recent=(*state.recent, *[now] * (singly + bool(rest)))), tuple(effects)


def _urgency(it: Open) -> tuple[bool, int, float]:
    """Loud ones first, then what must stop the bench, then by age."""
    return not it.alarm.loud, -RANK[it.alarm.severity], it.due


def _new_and_grave(it: Open) -> bool:
    return it.alarm.severity == "stop" and (it.told_at == -math.inf or it.alarm.loud)


def _told(it: Open, now: float, stamp: datetime, policy: Policy) -> Open:
    again = min(policy.loud_repeat, policy.repeat) if it.alarm.loud else policy.repeat
    alarm = replace(it.alarm, number=it.alarm.number + 1, told=stamp)
    return replace(it, alarm=alarm, due=now + again, told_at=now)


def _summary(alarms: list[Alarm], number: int, stamp: datetime) -> Alarm:
    more = len(alarms) - MOST_NAMED
    named = "; ".join(f"{it.severity}: {it.title}" for it in alarms[:MOST_NAMED])
    return Alarm(
        key=SUMMARY,
        severity=alarms[0].severity if not alarms[0].loud else "stop",
        title=f"{len(alarms)} alarms",
        words=named + (f"; and {more} more" if more > 0 else ""),
        unit_serial=alarms[0].unit_serial,
        channel="",
        raised=stamp,
        number=number,
        loud=alarms[0].loud,
        told=stamp,
    )
