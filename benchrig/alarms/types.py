"""What an alarm is, and what can tell somebody of one."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime
from typing import Literal, Protocol

from ..errors import BenchrigError

Severity = Literal["warning", "stop"]
RANK: dict[Severity, int] = {"warning": 0, "stop": 1}
SUMMARY = "summary"  # the key of a telling of several alarms


class AlarmError(BenchrigError):
    """An alarm could not be told. `again` False: some of it arrived, and telling it again would double that."""

    def __init__(self, message: str, *, next_step: str = "", again: bool = True) -> None:
        super().__init__(message, next_step=next_step)
        self.again = again


@dataclass(frozen=True, slots=True)
class Alarm:
    """One telling of one alarm.

    key      which alarm: the same trouble at the same place has the same key
    raised   when it opened, wall time
    number   how many times it has been told, this one included
    count    how often it was raised since it opened
    active   False where the trouble has gone by itself, but nobody has acknowledged it yet
    loud     what should have made the bench safe has failed
    told     the moment of this telling, wall time
    opening  counts the alarms of a job as they open: the same trouble anew is another alarm
    """

    key: str
    severity: Severity
    title: str
    words: str
    unit_serial: str
    channel: str
    raised: datetime
    number: int
    count: int = 1
    active: bool = True
    loud: bool = False
    told: datetime | None = None
    opening: int = 0

    @property
    def id(self) -> str:
        """The same for each try to deliver this telling and for no other: whoever gets it twice can know."""
        whole = f"{self.unit_serial}\0{self.key}\0{self.raised.isoformat()}\0{self.opening}\0{self.number}"
        return hashlib.sha256(whole.encode("utf-8", "surrogatepass")).hexdigest()[:32]


class Caller(Protocol):
    """A way to tell somebody."""

    @property
    def name(self) -> str:
        """For people; unique among the callers of a bench."""
        ...

    @property
    def least(self) -> Severity:
        """What is less severe is not told by this caller."""
        ...

    def call(self, alarm: Alarm) -> None:
        """Tell it. May block for as long as its own timeout. Raises AlarmError where it was not told."""
        ...


def headline(alarm: Alarm) -> str:
    """The alarm on one line: what is wrong with which unit, in letters that steer nothing.

    >>> headline(Alarm("k", "stop", "TP1 low", "", "SK14-0231", "", datetime.min, 2))
    'STOP: TP1 low (SK14-0231), notified 2 times'
    """
    loud = "STILL NOT SAFE: " if alarm.loud else ""
    unit = f" ({alarm.unit_serial})" if alarm.unit_serial else ""
    gone = ", gone since" if not alarm.active else ""
    often = f", occurred {alarm.count} times" if alarm.count > 1 else ""
    again = f", notified {alarm.number} times" if alarm.number > 1 else ""
    return harmless(f"{loud}{alarm.severity.upper()}: {alarm.title}{unit}{gone}{often}{again}")


def harmless(text: str, most: int = 200) -> str:
    """`text` on one line without control characters, cut to `most` letters: for headers, terminals and arguments."""
    safe = "".join(c if c.isprintable() else "?" for c in text)
    return safe if len(safe) <= most else f"{safe[: most - 3]}..."
