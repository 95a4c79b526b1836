"""What one caller has still to tell, pure: at most one telling for each alarm, in order, with back-off after a failure.

A newer telling of an alarm takes the place of one that could not be told yet, so that a sink which was away for an
hour gets each alarm once, as it stands now, and not an hour of repeats.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from .types import SUMMARY, Alarm

FIRST_WAIT, LONGEST_WAIT = 2.0, 120.0  # s after a failure: 2, 4, 8 .. 120
MOST_WAITING = 100


@dataclass(frozen=True, slots=True)
class Waiting:
    """The list. `failures` in a row; nothing is tried before `not_before`."""

    alarms: tuple[Alarm, ...] = ()
    failures: int = 0
    not_before: float = -math.inf


def offered(waiting: Waiting, alarm: Alarm) -> Waiting:
    """With one more telling. It is tried at once, whatever failed before: tellings are few, and this one is new."""
    rest = tuple(it for it in waiting.alarms if it.key != alarm.key or it.key == SUMMARY)
    return replace(waiting, alarms=(*rest, alarm)[-MOST_WAITING:], not_before=-math.inf)


def withdrawn(waiting: Waiting, key: str) -> Waiting:
    """Without what somebody has acknowledged by now."""
    return replace(waiting, alarms=tuple(it for it in waiting.alarms if it.key != key))


def due(waiting: Waiting, now: float) -> Alarm | None:
    """What to tell now."""
    return waiting.alarms[0] if waiting.alarms and now >= waiting.not_before else None


def delivered(waiting: Waiting, alarm: Alarm) -> Waiting:
    """Told, or not to be tried again."""
    return Waiting(tuple(it for it in waiting.alarms if it != alarm))


def failed(waiting: Waiting, now: float) -> Waiting:
    """Not told; wait longer each time."""
    wait = min(LONGEST_WAIT, FIRST_WAIT * 2.0 ** min(waiting.failures, 20))
    return replace(waiting, failures=waiting.failures + 1, not_before=now + wait)
