"""Try every caller before the bench is left alone."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from ..errors import BenchrigError
from .types import Alarm, Caller


def trial(stamp: datetime, unit_serial: str = "") -> Alarm:
    """An alarm that says it is none."""
    words = "Nothing is wrong. Whoever leaves the bench alone is trying whether an alarm would reach you."
    return Alarm("trial", "stop", "Trial of the alarms", words, unit_serial, "", stamp, number=1)


def try_all(callers: Sequence[Caller], stamp: datetime, unit_serial: str = "") -> list[tuple[str, bool, str]]:
    """(name, told, what went wrong) of each caller, one after the other."""
    return [(caller.name, not words, words) for caller in callers for words in [_tried(caller, stamp, unit_serial)]]


def _tried(caller: Caller, stamp: datetime, unit_serial: str) -> str:
    try:
        caller.call(trial(stamp, unit_serial))
    except BenchrigError as error:
        return str(error)
    except Exception as error:  # a caller from outside may raise anything
        return f"{type(error).__name__}: {error}"
    return ""
