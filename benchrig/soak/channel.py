"""One channel of a soak: levels, presence, dips and steps, warm-up and drift, in constant memory.

Rules it keeps:
1. Only usable readings are judged; none for longer than its allowance is a finding of its own.
2. While the unit warms up a value may be outside its preferred window, but never outside the acceptable one for long:
   half the allowance is for coming in. The ceiling holds from the first reading.
3. While the unit is switched off on purpose nothing is judged, and what was learnt of the noise is learnt anew.
4. Drift is told where the procedure limits it, and only if it is surely above the limit.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from ..judgement.errors import SeriesError
from ..judgement.trend import Drift
from ..judgement.uncertainty import coverage_factor
from ..judgement.watch import DriftWatch, Event, LevelStep
from ..units import show
from .findings import Columns, Finding, Floats, Kind, Severity
from .levels import Ceiling, ConfirmedLevel, ReadingBand, levels
from .recent_medians import Moving
from .task import SoakChannel

LOOKS = 10  # times per window that drift is judged
THREE_SIGMA = 0.9973
COMING_UP = 60.0  # s of the warm-up in which a value still comes up, and what looks like a step or dip is none


@dataclass(frozen=True, slots=True)
class Totals:
    """What a channel was over the whole watch, after its warm-up. Values in the channel's unit, None without any.

    drift  what is left beside warm-up, steps and dips; None where there were too few readings
    """

    readings: int
    usable: int
    least: float | None
    mean: float | None
    greatest: float | None
    drift: Drift | None

    @property
    def drifts(self) -> bool:
        """True if the slope is beyond what chance gives in 1 of 20 channels."""
        return self.drift is not None and self.drift.drifting


class ChannelWatch:
    """Watches one channel from `began` (clock seconds) on, for `length` seconds at most."""

    def __init__(
        self,
        channel: SoakChannel,
        began: float,
        length: float,
        warm_up: float,
        false_alarms: float,
        harmless: float | None = None,
    ) -> None:
        """`harmless`: magnitude above which a value can hurt, where the procedure declares no hazard."""
        self.channel = channel
        ceiling = channel.limits.ceiling
        limit = min((it for it in (ceiling, harmless) if it is not None), default=None)
        self._ceiling = None if limit is None else Ceiling(limit, overload=ceiling is not None)
        self.name = channel.name
        self.unit = channel.source.unit
        self.last: tuple[float, float] | None = None  # time and value of the last usable reading
        self.readings = self.usable = 0
        self.far_out = 0  # usable readings outside what is acceptable, after the coming in
        self._length = length
        self._false_alarms = false_alarms
        self._least, self._greatest, self._sum = math.inf, -math.inf, 0.0
        self._settled = 0
        self._since = began  # of the last usable reading, or of the start
        self._absent = False
        self._breached = False
        self._confirmed = ConfirmedLevel()
        self._resolution = 0.0
        self._begin(began, warm_up)

    def _begin(self, began: float, warm_up: float) -> None:
        """From the start, and from each switching on: the unit is cold."""
        self._warm_by = began + warm_up
        self._may_come_in_by = began + warm_up / 2.0
        self._warm_up = warm_up
        self._up_by = began + min(warm_up, COMING_UP)
        self._watch: DriftWatch | None = None  # made with the first readings: it must know their resolution
        self._moving = Moving(self.channel.over)
        self._stable = False
        self._drifting = False
        self._look = began + self.channel.over / LOOKS
        self._told_warm = warm_up <= 0.0

    # what happens

    def switched_on(self, now: float, warm_up: float) -> None:
        """The unit is on again after it was switched off on purpose."""
        self._begin(now, warm_up)
        self._since = now
        self._absent = False
        self._confirmed = ConfirmedLevel()

    def take(self, columns: Columns) -> list[Finding]:
        """Readings, in order; what became certain by them."""
        self.readings += int(columns.times.size)
        found = list(self._breach(columns))
        usable = columns.usable
        times, values = columns.times[usable], columns.values[usable]
        if not times.size:
            return found
        self.usable += int(times.size)
        self._resolution = columns.resolution
        found += self._present(float(times[0]))
        self.last = (float(times[-1]), float(values[-1]))
        self._since = self.last[0]
        found += self._levels(times, values)
        found += self._events(times, values)
        self._moving.add_many(times, values)
        self._add_up(times, values)
        return found

    def tick(self, now: float) -> list[Finding]:
        """What the time alone says: absent, warm, stable, drifting."""
        found = []
        if not self._absent and now - self._since > self.channel.away:
            self._absent = True
            words = f"no usable reading for {now - self._since:.0f} s"
            found.append(self._finding(Kind.ABSENT, Severity.WARNING, now, words))
        if now >= self._look:
            self._look = now + self.channel.over / LOOKS
            found += self._drift(now)
        return [*found, *self._warm(now)]

    @property
    def level(self) -> ReadingBand:
        return self._confirmed.level

    @property
    def absent(self) -> bool:
        return self._absent

    @property
    def stable(self) -> bool:
        """True if the value was surely within its drift when it was last looked at; also where it may drift."""
        return self._stable or self.channel.drift is None

    def warming(self, now: float) -> bool:
        return now < self._warm_by

    def totals(self) -> Totals:
        """Everything since the warm-up."""
        mean = self._sum / self._settled if self._settled else None
        try:
            drift = self._watch.trend() if self._watch is not None else None
        except SeriesError:
            drift = None
        least, greatest = (self._least, self._greatest) if self._settled else (None, None)
        return Totals(self.readings, self.usable, least, mean, greatest, drift)

    def finish(self) -> list[Finding]:
        """The soak is over: what a short one was still learning from."""
        return [] if self._watch is None else list(self._told(self._watch.finish()))

    def while_off(self, columns: Columns) -> list[Finding]:
        """Readings while the unit is switched off on purpose: only the ceiling counts."""
        return list(self._breach(columns))

    # steps of taking

    def _breach(self, columns: Columns) -> Iterator[Finding]:
        place = None if self._ceiling is None else self._ceiling.broken(columns)
        if place is None or self._ceiling is None or self._breached:
            return
        self._breached = True
        value = float(columns.values[place])
        shown = "more than can be shown" if math.isnan(value) else show(value, self.unit)
        words = f"{shown}, ceiling {show(self._ceiling.limit, self.unit)}"
        yield self._finding(Kind.BREACH, Severity.STOP, float(columns.times[place]), words, value=value)

    def _present(self, time: float) -> Iterator[Finding]:
        if self._absent:
            self._absent = False
            words = f"there again after {time - self._since:.0f} s"
            yield self._finding(Kind.PRESENT, Severity.NOTE, time, words, ends=Kind.ABSENT)

    def _levels(self, times: Floats, values: Floats) -> Iterator[Finding]:
        row = levels(values, self.channel.limits)
        if times[0] < self._warm_by:
            row[times < self._warm_by] -= row[times < self._warm_by] == ReadingBand.OUT
            row[times < self._may_come_in_by] = ReadingBand.IN
        self.far_out += int(np.count_nonzero(row == ReadingBand.FAR_OUT))
        before = self._confirmed.level
        for place, level in self._confirmed.take(row):
            yield from self._moved(before, level, float(times[place]), float(values[place]))
            before = level

    def _moved(self, before: ReadingBand, level: ReadingBand, time: float, value: float) -> Iterator[Finding]:
        limits = self.channel.limits
        if level is ReadingBand.IN:
            kind = Kind.OUTSIDE if before is ReadingBand.OUT else Kind.FAR_OUTSIDE
            yield self._finding(Kind.INSIDE, Severity.NOTE, time, show(value, self.unit), value=value, ends=kind)
            return
        far = level is ReadingBand.FAR_OUT
        low, high = limits.acceptable if far else limits.window
        edges = " to ".join("open" if edge is None else show(edge, self.unit) for edge in (low, high))
        words = f"{show(value, self.unit)}, not in {edges}"
        kind, severity = (Kind.FAR_OUTSIDE, Severity.STOP) if far else (Kind.OUTSIDE, Severity.WARNING)
        yield self._finding(kind, severity, time, words, value=value)

    def _events(self, times: Floats, values: Floats) -> Iterator[Finding]:
        yield from self._told(self._watching().update_many(times, values))

    def _told(self, events: Iterable[Event]) -> Iterator[Finding]:
        for event in events:
            if event_time(event) < self._up_by:
                continue
            if isinstance(event, LevelStep):
                words = f"a step of {show(event.size, self.unit)}"
                yield self._finding(Kind.STEP, Severity.WARNING, event.time, words, size=event.size)
            else:
                lasted = max(event.stop - event.start, 0.0) + self.channel.interval
                words = f"{show(event.size, self.unit)} for about {lasted:.2g} s"
                yield self._finding(Kind.DIP, Severity.WARNING, event.start, words, size=event.size)

    def _watching(self) -> DriftWatch:
        if self._watch is None:
            readings = max(self._length / self.channel.interval, 10.0, 10.0 * self._false_alarms)
            self._watch = DriftWatch(readings, self._false_alarms, resolution=self._resolution, warm_up=self._warm_up)
        return self._watch

    def _add_up(self, times: Floats, values: Floats) -> None:
        settled = values if times[0] >= self._warm_by else values[times >= self._warm_by]
        if settled.size:
            self._least = min(self._least, float(settled.min()))
            self._greatest = max(self._greatest, float(settled.max()))
            self._sum += float(settled.sum())
            self._settled += settled.size

    def _warm(self, now: float) -> Iterator[Finding]:
        if self._told_warm or now < self._warm_by:
            return
        self._told_warm = True
        if self.last is None:
            return
        still = self.channel.drift is not None and not self._stable and self._moving.drift() is not None
        kind, severity = (Kind.STILL_WARMING, Severity.WARNING) if still else (Kind.WARM, Severity.NOTE)
        yield self._finding(kind, severity, now, show(self.last[1], self.unit), value=self.last[1])

    def _drift(self, now: float) -> Iterator[Finding]:
        allowed = self.channel.drift
        found = self._moving.drift() if allowed is not None else None
        if found is None or allowed is None:
            return
        self._stable = found.below(allowed)
        sure = abs(found.slope) - coverage_factor(THREE_SIGMA, found.dof) * found.slope_uncertainty
        if now < self._warm_by:
            return
        if sure > allowed and not self._drifting:
            self._drifting = True
            change = found.slope * self.channel.over
            words = f"{show(change, self.unit)} in {self.channel.over / 60.0:.3g} min"
            yield self._finding(Kind.DRIFT, Severity.WARNING, now, words, size=change)
        elif self._stable and self._drifting:
            self._drifting = False
            yield self._finding(Kind.INSIDE, Severity.NOTE, now, "stable again", ends=Kind.DRIFT)

    def _finding(
        self,
        kind: Kind,
        severity: Severity,
        time: float,
        words: str,
        *,
        value: float | None = None,
        size: float | None = None,
        ends: Kind | None = None,
    ) -> Finding:
        return Finding(self.name, kind, severity, time, words, self.unit, value, size, ends)


def event_time(event: Event) -> float:
    """When it began."""
    return event.time if isinstance(event, LevelStep) else event.start
