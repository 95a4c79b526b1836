"""Values are watched for a time with nobody there."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from ..bench.model import SUPPLY, Bench
from ..procedure.keys import Duration, Limited, Lower, Read, Words, check_over, check_unit, with_ceiling
from ..procedure.notes import Notes
from ..procedure.quantities import Measurement, ScopeSource
from ..procedure.step import Neighbours, Part, Step
from ..session.results import Done, Results
from ..session.soak_run import Soaking
from ..session.work import Work
from ..soak.task import Catch, PowerCycle, SoakChannel, SoakTask
from ..tomlfile import AnyQuantity, FileModel, KeyPath, Seconds, Volts

Time = Annotated[Seconds, Field(gt=0.0)]


class Channel(Read, Limited):
    """One value that is watched. Its window warns; the acceptable one, and the ceiling, stop the soak.

    drift  change in the time `over` that it may have; without it, any
    """

    name: Words
    interval: Time = 1.0
    away: Time = 60.0
    drift: AnyQuantity | None = None
    over: Time = 1800.0

    @property
    def watched(self) -> SoakChannel:
        """The same for the engine."""
        source = self.source
        return SoakChannel(
            name=self.name,
            source=source,
            limits=self.limits,
            interval=self.interval,
            away=self.away,
            drift=None if self.drift is None else self.drift.value / self.over,
            over=self.over,
        )

    def check_keys(self, path: KeyPath, notes: Notes) -> None:
        """Note what its keys cannot mean together."""
        self.check_source(path, notes)
        check_unit(self.drift, self.source.unit, (*path, "drift"), notes)
        check_over(self, self.drift, path, notes)
        self.check_limits(path, notes)


class ArmedScope(FileModel):
    """A scope armed on a point, so that a dip shorter than a reading is caught; `level` at the tip."""

    name: Words
    instrument: Words
    channel: Annotated[int, Field(ge=1, le=16)] = 1
    point: str = ""
    probe: Words | None = None
    level: Volts
    slope: Literal["falling", "rising"] = "falling"
    swing: Volts | None = None
    duration: Time = 0.2

    @property
    def watched(self) -> Catch:
        """The same for the engine."""
        source = ScopeSource(
            self.instrument, self.channel, Measurement.MEAN, self.point, self.probe, self.swing, self.duration
        )
        return Catch(self.name, source, self.level, self.slope == "falling", self.duration)


class Cycle(FileModel):
    """Seconds for which the unit is on, then off, again and again."""

    on: Time
    off: Time


class Soak(Step):
    """The file's own keys.

    warm_up       time in which values may still move into their windows
    until         "stable": ends as soon as every channel that has a drift keeps to it
    false_alarms  how many dips and steps may be reported by chance in the whole watch
    """

    prepares: ClassVar[bool] = True
    beside_hazard: ClassVar[bool] = True
    lasting: ClassVar[bool] = True

    kind: Literal["soak"] = "soak"
    lasts: Time
    warm_up: Duration = 0.0
    until: Literal["time", "stable"] = "time"
    false_alarms: Annotated[float, Field(gt=0.0, le=100.0)] = 0.1
    cycle: Cycle | None = None
    channels: Annotated[list[Channel], Field(min_length=1)]
    catches: list[ArmedScope] = Field(default_factory=list)

    @property
    def task(self) -> SoakTask:
        """The same for the engine."""
        return SoakTask(
            duration=self.lasts,
            channels=tuple(it.watched for it in self.channels),
            catches=tuple(it.watched for it in self.catches),
            warm_up=self.warm_up,
            until_stable=self.until == "stable",
            false_alarms=self.false_alarms,
            cycle=None if self.cycle is None else PowerCycle(self.cycle.on, self.cycle.off),
            hazard=self.hazard,
        )

    def parts(self) -> tuple[Part, ...]:
        channels = (it.watched for it in self.channels)
        catches = (it.watched for it in self.catches)
        return (
            *(Part(it.source, it.limits, place=("channels", place)) for place, it in enumerate(channels)),
            *(Part(it.source, place=("catches", place)) for place, it in enumerate(catches)),
        )

    @property
    def unattended(self) -> float:
        return self.lasts

    def shortened(self, seconds: float) -> Soak:
        """The same soak, lasting so long, and warming up for half of that at the most."""
        return self.model_copy(update={"lasts": seconds, "warm_up": min(self.warm_up, seconds / 2.0)})

    def with_ceilings(self, lower: Lower) -> Soak:
        return self.model_copy(update={"channels": [with_ceiling(it, lower) for it in self.channels]})

    def check_keys(self, path: KeyPath, notes: Notes) -> None:
        if self.until == "stable" and not any(channel.drift for channel in self.channels):
            notes.add((*path, "until"), "No channel says what stable is.", 'Give a channel drift = "20 mV".')
        for place, channel in enumerate(self.channels):
            channel.check_keys((*path, "channels", place), notes)

    def check(self, others: Neighbours, path: KeyPath, notes: Notes) -> None:
        """What nobody could do during a soak: move a lead, turn a knob, let go of a point that power left."""
        task = self.task
        watched: list[SoakChannel | Catch] = [*task.channels, *task.catches]
        names = [it.name for it in watched]
        for place, name in enumerate(names):
            if name in names[:place]:
                notes.add(path, f"{name!r} is watched twice.", f"Give number {place + 1} a name of its own.")
        touched: dict[tuple[str, int | None], str] = {}
        for it in watched:
            where = (it.source.instrument, getattr(it.source, "channel", None))
            if touched.setdefault(where, it.source.point) != it.source.point:
                words = f"{it.source.instrument} cannot be at two points."
                notes.add(path, words, "Use one instrument for each point.")
        for name in {it.source.instrument for it in task.channels} & {it.source.instrument for it in task.catches}:
            words = f"{name} waits for a dip and cannot read besides."
            notes.add(path, words, "Use another instrument for one of them.")
        if self.warm_up >= self.lasts:
            notes.add((*path, "warm_up"), "The warm-up takes the whole soak.", "Make it shorter, or `lasts` longer.")
        if self.cycle is not None and self.hazard is not None:
            words = "A hazardous point needs somebody each time it comes on."
            notes.add((*path, "cycle"), words, "Leave out one of them.")

    def preflight(self, bench: Bench) -> Iterable[tuple[str, str, str]]:
        """Whether anything could switch the unit while nobody is there."""
        if SUPPLY in bench.instruments:
            return
        if self.cycle is not None:
            yield "supply", "refuse", "the power is to be cycled, and the bench has no supply."
        elif self.hazard is not None:
            yield "supply", "warn", "the bench has no supply: nothing switches the unit off while nobody is there."

    def run(self, work: Work, results: Results) -> Done:
        """As a safety step it passes only if nothing at all was noticed: what comes and goes is not safe."""
        done = Soaking(work, self, self.task).run()
        if self.safety and done.result.verdict == "conditional pass":
            return replace(done, result=replace(done.result, verdict="fail"))
        return done
