"""A link is lost, and is back: the same two words from the instrument to the record, the engines and the screen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar


@dataclass(frozen=True, slots=True)
class LinkDown:
    """The instrument is away, from `now` on (clock seconds). `step` is filled in where a step reads it."""

    kind: ClassVar[str] = "link down"
    now: float
    instrument: str = ""
    reason: str = ""
    step: str = ""


@dataclass(frozen=True, slots=True)
class LinkUp:
    """It is there again at `now`, set up as before, after `seconds`."""

    kind: ClassVar[str] = "link up"
    now: float
    instrument: str = ""
    seconds: float = 0.0
    step: str = ""


LinkEvent = LinkDown | LinkUp
