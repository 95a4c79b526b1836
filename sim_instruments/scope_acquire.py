"""Running, stopping, arming: when a scope takes a record, on the clock.

Rules kept: a running scope shows its newest finished acquisition, and with no trigger in NORMAL the old one stays;
AUTO takes one anyway after a while and says that it was not triggered; a single acquisition searches every moment
since it was armed and waits as long as it must. A trigger needs the signal to come from beyond a small hysteresis.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from math import inf

import numpy as np
from numpy.typing import NDArray

from benchrig.clock import Clock

from .interfaces import Inputs, node_at
from .scope_front import Front, Geometry
from .scope_record import Input, ScopeRecord, frozen_input, sampling
from .scpi import PendingOperation, Steps

_HYSTERESIS = 0.2  # divisions; common practice, no source
_AUTO_WAIT = 0.05  # seconds without a trigger after which AUTO goes ahead; common practice
_LOOK = 0.005  # seconds between two looks for a trigger
_SEARCHED = 100_000  # points of one search
_GAIN_ALLOWED = 0.03  # of the reading, DC (TDS2000C manual, appendix A); its offset, 0.1 div + 1 mV, is left out
_PACE = 0.025  # seconds from one acquisition of a running scope to the next, at least


def crossings(volts: NDArray[np.float64], level: float, hysteresis: float, rising: bool) -> NDArray[np.float64]:
    """Fractional indices at which `volts` passes `level`, coming from `hysteresis` beyond it."""
    seen = volts - level if rising else level - volts
    side = np.where(seen >= 0, 1, np.where(seen < -hysteresis, -1, 0))
    at = np.flatnonzero(side)
    hits = at[1:][(side[at[1:]] == 1) & (side[at[:-1]] == -1)]
    fraction: NDArray[np.float64] = hits - seen[hits] / (seen[hits] - seen[hits - 1])
    return fraction


class Acquirer:
    """The acquisition system of one scope. `probes` are the attenuations of the probes that are really there."""

    def __init__(
        self, clock: Clock, inputs: Inputs, geometry: Geometry, front: Front, probes: Mapping[int, float], seed: int
    ) -> None:
        self._clock = clock
        self._inputs = inputs
        self.geometry = geometry
        self.front = front
        self.probes = probes
        self._numbers = itertools.count(seed << 20)
        self.record: ScopeRecord | None = None
        self.operation: PendingOperation | None = None
        self.running = True
        self._since = clock.now()
        self._forced = False
        self.error = 0.0  # -1 to +1: the part of `_GAIN_ALLOWED` that a calibration would find

    @property
    def waiting(self) -> bool:
        """Armed by `single` and not done."""
        return self.operation is not None and self.operation.finished is None

    def run(self, now: float) -> None:
        self.stop(now)
        self.running, self._since = True, now

    def stop(self, now: float) -> None:
        self.latest(now)
        if self.operation is not None:
            self.operation.abort(now)
        self.running = False

    def single(self, now: float, *, auto: bool) -> PendingOperation:
        """Arm for one acquisition; with `auto` it goes ahead without a trigger after a while."""
        self.stop(now)
        self._forced = False
        self.operation = PendingOperation(self._single(now, auto))
        return self.operation

    def force(self, now: float) -> None:
        """Take what there is, trigger or not."""
        self._forced = True
        if self.operation is not None:
            self.operation.poke(now)

    def latest(self, now: float) -> ScopeRecord | None:
        """The newest finished acquisition at `now`, or the old one; None before the first."""
        if self.operation is not None:
            self.operation.advance(now)
        if self.running and (self.record is None or self._stale(self.record, now)):
            self._acquire_running(now)
        return self.record

    def _stale(self, record: ScopeRecord, now: float) -> bool:
        return now - record.finished >= _PACE

    @property
    def _span(self) -> float:
        return self.front.timebase * self.geometry.across

    @property
    def _before(self) -> float:
        """Seconds of the record before the trigger; less than none if the screen lies wholly after it."""
        return self._span / 2 - self.front.position

    @property
    def _after(self) -> float:
        return self._span - self._before

    def _acquire_running(self, now: float) -> None:
        end = now - max(self._after, 0.0)
        begin = max(self._since + max(self._before, 0.0), end - max(_AUTO_WAIT, self._span))
        hits = self._hits(begin, end)
        if len(hits):
            self.record = self._take(float(hits[-1]), True)
        elif self.front.sweep == "AUTO" and now >= self._since + self._span:
            self.record = self._take(end, False)

    def _single(self, armed: float, auto: bool) -> Steps:
        searched = armed + max(self._before, 0.0)
        limit = searched + max(_AUTO_WAIT, self._span) if auto else inf
        at: float | None = None
        now = yield searched
        while at is None:
            seen = self._hits(searched - self._span, min(now, limit))  # from further back: it may be half way up
            hits = seen[seen >= searched]
            if len(hits):
                at = float(hits[0])
            elif self._forced or now >= limit:
                at = max(searched, min(now, limit))
            else:
                searched = max(searched, min(now, limit))
                now = yield min(limit, max(now, searched) + _LOOK)
        done = at + max(self._after, 0.0)
        triggered = bool(len(hits))
        while now < done:
            now = yield done
        self.record = self._take(at, triggered)
        return done

    def _hits(self, begin: float, end: float) -> NDArray[np.float64]:
        """Trigger moments from `begin` to `end`: the whole time coarsely, or finely where that shows none."""
        fine = self._span / self.geometry.points
        coarse = max(fine, (end - begin) / _SEARCHED)
        hits = self._search(begin, end, coarse)
        if not len(hits) and coarse > fine:
            hits = self._search(max(begin, end - fine * _SEARCHED), end, fine)
        return hits

    def _search(self, begin: float, end: float, interval: float) -> NDArray[np.float64]:
        count = int((end - begin) / interval) + 1
        if end <= begin or count < 2:
            return np.empty(0)
        seen = self._input(self.front.source)
        volts = seen.volts(begin, interval, count)
        hysteresis = _HYSTERESIS * seen.channel.scale
        return begin + interval * crossings(volts, self.front.level, hysteresis, self.front.rising)

    def _input(self, channel: int) -> Input:
        node = node_at(self._inputs, channel)
        gain = 1.0 + self.error * _GAIN_ALLOWED
        return frozen_input(node, self.front.channels[channel], self.probes.get(channel, 10.0), self.geometry, gain)

    def _take(self, trigger: float, triggered: bool) -> ScopeRecord:
        shown = sum(c.shown for c in self.front.channels.values())
        rate, depth = sampling(self.geometry, self.front.timebase, self.front.depth, shown)
        inputs = {n: self._input(n) for n, c in self.front.channels.items() if c.shown}
        place = (trigger, triggered, -self._before, self.front.timebase)
        return ScopeRecord(inputs, *place, self.geometry, rate, depth, next(self._numbers))
