"""Trends for the page: the least and the greatest value of each stretch of time, in bounded memory, whatever the rate.

A trend has slots of equal length, numbered from the first reading. `whole` makes its slots twice as long whenever there
are too many, so it covers a minute or a week; `recent` lets its oldest go and covers the last hour. A reading costs one
comparison; joining slots in pairs costs `MOST` of them, after at least half as many readings.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from ..session import notices as n

MOST = 480  # slots of a trend; even, so that they pair up
SLOT = 1.0  # s, the length of a slot of `whole` at its beginning
RECENT = 3600.0  # s
RESTARTED = 60.0  # s; a time so far back comes from a clock that began anew
MOST_CHANNELS = 40

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
        return [(slot, *self._slots[slot]) for slot in range(max(0, since), self._newest + 1) if slot in self._slots]


class Trends:
    """The trends of all channels; of more than `MOST_CHANNELS` those heard of last."""

    def __init__(self) -> None:
        self._channels: dict[str, tuple[str, Trend, Trend]] = {}
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
        if known is None or known[0] != unit:
            known = (unit, Trend(SLOT, doubles=True), Trend(RECENT / MOST, doubles=False))
            self._channels.pop(channel, None)
            self._channels[channel] = known
            if len(self._channels) > MOST_CHANNELS:
                del self._channels[next(iter(self._channels))]
        known[1].add(time, least, greatest)
        known[2].add(time, least, greatest)
        self._changed[channel] = None

    def take(self, notice: n.Notice) -> None:
        """What a notice says of any channel. A watch tells extremes; a single reading is its own."""
        match notice:
            case n.JobStarted():
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
        return {
            name: _data(unit, whole, whole.slots(), recent, recent.slots())
            for name, (unit, whole, recent) in self._channels.items()
        }

    def news(self) -> dict[str, Any]:
        """What has changed since `news` was asked the last time. Laying it over older data, slot by slot, is safe."""
        changed = [name for name in self._changed if name in self._channels]
        self._changed.clear()
        return {
            name: _data(unit, whole, whole.news(), recent, recent.news())
            for name, (unit, whole, recent) in ((name, self._channels[name]) for name in changed)
        }


def _data(unit: str, whole: Trend, of_whole: list[Slot], recent: Trend, of_recent: list[Slot]) -> Mapping[str, Any]:
    return {
        "unit": unit,
        "whole": {"seconds": whole.seconds, "slots": of_whole},
        "recent": {"seconds": recent.seconds, "slots": of_recent},
    }
