"""A whole soak: channels and phases together. Readings and time in, effects out; no clock, no instrument, no screen.

Rules it keeps:
1. A finding of severity "stop" ends the soak at once; nothing after it is judged.
2. What began and is not over is an open finding, one for each channel and kind: what alarms are made of.
3. A soak that declares no hazard stops above the voltage that can hurt, whatever ceiling its file gives.
4. Time is looked at in `tick`; a soak that was not ticked for long (a machine that slept) goes on where it is and ends
   when its time is up.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from ..procedure.checks import hazardous_limit
from ..units import show
from .channel import ChannelWatch, Totals
from .findings import Columns, Finding, Kind, Severity
from .phases import SoakMove, SoakPhase, moved
from .task import SoakChannel, SoakTask

# Findings that stay open until another ends them; the others are over as soon as they are told.
LASTING = frozenset({Kind.OUTSIDE, Kind.FAR_OUTSIDE, Kind.ABSENT, Kind.DRIFT})


@dataclass(frozen=True, slots=True)
class Noticed:
    """Something was noticed: into the record, and an alarm if it is worth one."""

    finding: Finding


@dataclass(frozen=True, slots=True)
class Switch:
    """The unit's power is to be switched."""

    on: bool


@dataclass(frozen=True, slots=True)
class Over:
    """The soak has ended. `stopped`: something forced it, and the unit is to be made safe."""

    why: str
    stopped: bool


Effect = Noticed | Switch | Over


class Engine:
    """One soak from `began` (clock seconds) on."""

    def __init__(self, task: SoakTask, began: float) -> None:
        self.task = task
        self.phase = SoakPhase.WARMING
        self.began = began
        self.cycles = 0
        self.why = ""
        self.stopped = False
        self.findings: dict[Severity, int] = dict.fromkeys(Severity, 0)
        self.open: dict[tuple[str, Kind], Finding] = {}
        self.channels = {it.name: _watched(it, task, began) for it in task.channels}
        self.catches = 0
        self._since = began  # of the present phase
        self._on_since = began

    @property
    def over(self) -> bool:
        return self.phase is SoakPhase.OVER

    def remaining(self, now: float) -> float:
        """Seconds until the time is up."""
        return max(0.0, self.began + self.task.duration - now)

    def take(self, name: str, columns: Columns) -> list[Effect]:
        """Readings of the channel called `name`, in order of time."""
        if self.over:
            return []
        channel = self.channels[name]
        found = channel.while_off(columns) if self.phase is SoakPhase.OFF else channel.take(columns)
        return self._told(found)

    def caught(self, name: str, time: float, least: float, greatest: float, unit: str) -> list[Effect]:
        """The armed scope has triggered: a record from `least` to `greatest`."""
        if self.over or self.phase is SoakPhase.OFF:
            return []
        self.catches += 1
        size = greatest - least
        words = f"a record from {show(least, unit)} to {show(greatest, unit)} is kept"
        return self._told([Finding(name, Kind.CAUGHT, Severity.WARNING, time, words, unit, least, size)])

    def tick(self, now: float) -> list[Effect]:
        """The time has come to `now`."""
        if self.over:
            return []
        if now - self.began >= self.task.duration:
            return self.end("its time is up")
        if self.phase is SoakPhase.OFF:
            return self._perhaps_on(now)
        effects = self._told([found for channel in self.channels.values() for found in channel.tick(now)])
        if self.over:
            return effects
        if self.phase is SoakPhase.WARMING and now - self._since >= self.task.warm_up:
            self._move(SoakMove.WARM, self._since)
        if self.phase is SoakPhase.WATCHING and self.task.until_stable and self._stable():
            return [*effects, *self.end("every channel is stable")]
        return [*effects, *self._perhaps_off(now)]

    def switched(self, on: bool, now: float) -> None:
        """The unit's power was switched, as a `Switch` asked."""
        self._move(SoakMove.SWITCHED_ON if on else SoakMove.SWITCHED_OFF, now)
        if on:
            self.cycles += 1
            for channel in self.channels.values():
                channel.switched_on(now, self.task.warm_up)

    def end(self, why: str, *, stopped: bool = False) -> list[Effect]:
        """The soak ends: time is up, or somebody or something ends it."""
        last = [found for channel in self.channels.values() for found in channel.finish()]
        self.phase = moved(self.phase, SoakMove.ENDED)
        self.why, self.stopped = why, stopped
        return [*self._told(last), Over(why, stopped)]

    def totals(self) -> Mapping[str, Totals]:
        """What each channel was."""
        return {name: channel.totals() for name, channel in self.channels.items()}

    def verdict(self) -> str:
        """What became of the unit.

        fail: stopped; a channel outside what is acceptable, even for one reading; a dip that the armed scope caught,
        for its level says what may not be; a channel that gave nothing. conditional pass: something else was noticed.
        """
        far = any(channel.far_out for channel in self.channels.values())
        never = any(not channel.usable for channel in self.channels.values())
        if self.stopped or far or never or self.catches:
            return "fail"
        return "conditional pass" if self.findings[Severity.WARNING] else "pass"

    def _told(self, findings: list[Finding]) -> list[Effect]:
        effects: list[Effect] = []
        for it in findings:
            effects.append(Noticed(it))
            self._keep(it)
            if it.severity is Severity.STOP:
                return [*effects, *self.end(f"{it.channel} {it.kind}: {it.words}", stopped=True)]
        return effects

    def _keep(self, finding: Finding) -> None:
        self.findings[finding.severity] += 1
        if finding.ends is not None:
            self.open.pop((finding.channel, finding.ends), None)
        elif finding.kind in LASTING:
            self.open[(finding.channel, finding.kind)] = finding

    def _stable(self) -> bool:
        return all(channel.stable and not channel.absent for channel in self.channels.values())

    def _perhaps_off(self, now: float) -> list[Effect]:
        cycle = self.task.cycle
        return [Switch(False)] if cycle is not None and now - self._on_since >= cycle.on else []

    def _perhaps_on(self, now: float) -> list[Effect]:
        cycle = self.task.cycle
        return [Switch(True)] if cycle is not None and now - self._since >= cycle.off else []

    def _move(self, move: SoakMove, now: float) -> None:
        self.phase = moved(self.phase, move)
        self._since = now
        if move is SoakMove.SWITCHED_ON:
            self._on_since = now


def _watched(channel: SoakChannel, task: SoakTask, began: float) -> ChannelWatch:
    """The watch of one channel; without a declared hazard its ceiling is where harm begins."""
    share = task.false_alarms / (2.0 * len(task.channels))
    harmless = hazardous_limit(channel.source) if task.hazard is None else None
    return ChannelWatch(channel, began, task.duration, task.warm_up, share, harmless)
