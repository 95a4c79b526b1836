"""Trends for the page: the least and the greatest value of each stretch of time, in bounded memory, whatever the rate.

A trend has slots of equal length, numbered from the first reading. `whole` makes its slots twice as long whenever there
are too many, so it covers a minute or a week; `recent` lets its oldest go and covers the last hour. A reading costs one
comparison; joining slots in pairs costs `MOST` of them, after at least half as many readings.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from ..session import notices as n

MOST = 480  # slots of a trend; even, so that they pair up
SLOT = 1.0  # s, the length of a slot of `whole` at its beginning
RECENT = 3600.0  # s
RESTARTED = 60.0  # s; a time so far back comes from a clock that began anew
MOST_CHANNELS = 40
IDLE = 60.0  # s without a reading after which a channel makes room for a new one

Slot = tuple[int, float, float]  # number, least, greatest


class Trend:
    """One channel over one range of time."""

    def __init__(self, seconds: float, *, doubles: bool) -> None:
        """seconds: of a slot. doubles: full, it makes its slots longer; otherwise it drops the oldest."""
        self.seconds = seconds
        self._doubles = doubles
        self._origin: float | None = None
        self._slots: dict[int, tuple[float, float]] = {}
        self._newest = -1
        self._sent = -1

    def add(self, time: float, least: float, greatest: float) -> None:
        """What was read at `time`, seconds. Times a little before the newest slot are folded into it."""
        if self._origin is None:
            self._origin = time
        if time < self._origin + self._newest * self.seconds - RESTARTED:
            self._origin = time - (self._newest + 1) * self.seconds  # another clock: go on behind what is there
        slot = max(self._newest, math.floor((time - self._origin) / self.seconds))
        known = self._slots.get(slot)
        self._slots[slot] = (least, greatest) if known is None else (min(known[0], least), max(known[1], greatest))
        self._newest = slot
        if known is None:
            self._trim()

    def _trim(self) -> None:
        if not self._doubles:
            while next(iter(self._slots)) <= self._newest - MOST:
                del self._slots[next(iter(self._slots))]
        while self._doubles and self._newest >= MOST:
            self._join()

    def _join(self) -> None:
        joined: dict[int, tuple[float, float]] = {}
        for slot, (least, greatest) in self._slots.items():
            known = joined.get(slot // 2, (least, greatest))
            joined[slot // 2] = (min(known[0], least), max(known[1], greatest))
        self._slots = joined
        self.seconds *= 2.0
        self._newest //= 2
        self._sent //= 2

    def slots(self) -> list[Slot]:
        """All of it."""
        return [(slot, *ends) for slot, ends in self._slots.items()]

    def news(self) -> list[Slot]:
        """What may differ from what was asked for the last time: the newest slot of then, and later ones."""
        since, self._sent = self._sent, self._newest
        return [(slot, *ends) for slot, ends in self._slots.items() if slot >= since]


@dataclass(slots=True)
class TrendChannel:
    """One channel's trends, and when it was heard of last, in its own clock's seconds."""

    unit: str
    heard: float
    whole: Trend = field(default_factory=lambda: Trend(SLOT, doubles=True))
    recent: Trend = field(default_factory=lambda: Trend(RECENT / MOST, doubles=False))


class Trends:
    """The trends of all channels. Of more than `MOST_CHANNELS` a new one takes the place of one that is idle, or waits.

    anew  True until the first `news` after everything known was let go
    """

    def __init__(self) -> None:
        self.anew = False
        self._channels: dict[str, TrendChannel] = {}
        self._changed: dict[str, None] = {}
        self._traced: set[str] = set()

    def trace(self, channel: str, unit: str, time: float, least: float, greatest: float) -> None:
        """What a channel read, of one whose every reading comes this way: notices add nothing to it any more."""
        self._traced.add(channel)
        self.add(channel, unit, time, least, greatest)

    def add(self, channel: str, unit: str, time: float, least: float, greatest: float) -> None:
        """What a channel read; a channel whose unit changes begins anew. What is no number is not drawn."""
        if not (math.isfinite(time) and math.isfinite(least) and math.isfinite(greatest)):
            return
        known = self._channels.get(channel)
        if known is None or known.unit != unit:
            if known is None and not self._room(time):
                return
            known = self._channels[channel] = TrendChannel(unit, time)
        known.heard = time
        known.whole.add(time, least, greatest)
        known.recent.add(time, least, greatest)
        self._changed[channel] = None

    def _room(self, time: float) -> bool:
        """Make room for one more channel. A thousand of them in turn would each drive out the one before."""
        if len(self._channels) < MOST_CHANNELS:
            return True
        name = min(self._channels, key=lambda it: self._channels[it].heard)
        if abs(time - self._channels[name].heard) <= IDLE:
            return False
        del self._channels[name]
        return True

    def take(self, notice: n.Notice) -> None:
        """What a notice says of any channel. A watch tells extremes; a single reading is its own."""
        match notice:
            case n.JobStarted():
                self.anew = True
                self._channels.clear()
                self._changed.clear()
                self._traced.clear()
            case n.ReadingTaken(_, channel, reading) if reading.usable and reading.value is not None:
                self.add(channel, reading.unit, reading.time, reading.value, reading.value)
            case n.SoakMoved():
                for it in notice.channels:
                    if it.value is not None and it.name not in self._traced:
                        least = it.value if it.least is None else min(it.least, it.value)
                        greatest = it.value if it.greatest is None else max(it.greatest, it.value)
                        self.add(it.name, it.unit, notice.elapsed, least, greatest)

    def all(self) -> dict[str, Any]:
        """Everything, as plain data."""
        return {name: _data(it, it.whole.slots(), it.recent.slots()) for name, it in self._channels.items()}

    def news(self) -> dict[str, Any]:
        """What has changed since `news` was asked the last time. Laying it over older data, slot by slot, is safe."""
        changed = {name: self._channels[name] for name in self._changed if name in self._channels}
        self._changed.clear()
        self.anew = False
        return {name: _data(it, it.whole.news(), it.recent.news()) for name, it in changed.items()}


def _data(it: TrendChannel, whole: list[Slot], recent: list[Slot]) -> Mapping[str, Any]:
    return {
        "unit": it.unit,
        "whole": {"seconds": it.whole.seconds, "slots": whole},
        "recent": {"seconds": it.recent.seconds, "slots": recent},
    }
