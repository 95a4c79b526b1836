"""A bench in use, as a session needs it: feeds of its instruments, its supply, what is known of each.

Nothing is opened before a feed is. What stands behind a hold point gets the hold point's guard with it, so that even
the thread that reads, and the try to reopen a lost link, ask for the acknowledgement first.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, cast

from ..bench.attach import Attached
from ..bench.model import SUPPLY
from ..bench.source import Source, readings
from ..bench.station import Station
from ..instruments import Function
from ..procedure.quantities import Limits, MeterSource
from ..readings import Reading
from ..records.facts import InstrumentFacts
from ..signals.waveform import Waveform
from ..soak.task import Catch, SoakChannel
from .listening import Catcher, Ear, Turn, Turns, listen
from .metering import MeterReader
from .ports import Feed, InstrumentSource, Item, Listener, PowerSwitch
from .scoping import ScopeReader

Guard = Callable[[], None]


class BenchTools:
    """`session.ports.Tools` on a `bench.station.Station`."""

    def __init__(self, station: Station) -> None:
        self._station = station
        self._used: dict[str, Attached] = {}

    @property
    def name(self) -> str:
        return Path(self._station.bench.file).name

    @property
    def supply(self) -> PowerSwitch | None:
        if SUPPLY not in self._station.bench.instruments:
            return None
        return _SwitchedSupply(self._station.attached(SUPPLY))

    def all_doubles(self) -> bool:
        return self._station.all_doubles()

    def feed(self, source: InstrumentSource, limits: Limits | None, guard: Guard | None = None) -> Feed:
        if guard is not None:
            guard()
        attached = self._station.attached(source.instrument)
        attached.open(guard)
        self._used[source.instrument] = attached
        reader = self._reader(source, limits)
        if isinstance(reader, ScopeReader):
            return AttachedFeed(attached, reader, reader, guard)
        attached.use(reader.set_up, guard=guard)
        return AttachedFeed(attached, reader, None, guard)

    def listen(self, channels: Sequence[SoakChannel], catches: Sequence[Catch], guard: Guard | None = None) -> Listener:
        if guard is not None:
            guard()
        clock = self._station.clock
        produce: dict[str, Turns | Catcher] = {}
        for name in dict.fromkeys(channel.source.instrument for channel in channels):
            own = [channel for channel in channels if channel.source.instrument == name]
            turns = [Turn(it.name, self._reader(it.source, it.limits), it.interval, clock.now()) for it in own]
            produce[name] = Turns(turns, clock)
        for catch in catches:
            produce[catch.source.instrument] = Catcher(catch, self._ratio(catch.source.probe), clock)
        ears = []
        for name, makes in produce.items():
            attached = self._station.attached(name)
            attached.open(guard)
            self._used[name] = attached
            ears.append(Ear(attached, makes, guard))
        return listen(ears, clock)

    def _reader(self, source: InstrumentSource, limits: Limits | None) -> MeterReader | ScopeReader:
        bench, clock = self._station.bench, self._station.clock
        spec = bench.instrument(source.instrument)
        probe = bench.probe(source.probe) if source.probe else None
        if isinstance(source, MeterSource):
            return MeterReader(source, limits, spec, probe, clock)
        return ScopeReader(source, limits, spec, probe, bench.mains, clock)

    def _ratio(self, probe: str | None) -> float:
        return self._station.bench.probe(probe).ratio if probe else 1.0

    def facts(self) -> Sequence[InstrumentFacts]:
        """All instruments of the bench file; the identity of those that were opened."""
        return [self._facts(name) for name in self._station.bench.instruments]

    def traffic(self) -> Mapping[str, str]:
        return {name: attached.log.text() for name, attached in self._used.items()}

    def _facts(self, name: str) -> InstrumentFacts:
        spec = self._station.bench.instruments[name]
        used = self._used.get(name)
        identity = str(used.identity) if used and used.identity else ""
        due = spec.calibration_due.isoformat() if spec.calibration_due else ""
        return InstrumentFacts(name, spec.driver, spec.address, identity, due)


class AttachedFeed:
    """Readings of one attached instrument, made by `reader`."""

    def __init__(
        self,
        attached: Attached,
        reader: Callable[[Any, float], Reading],
        scope: ScopeReader | None,
        guard: Guard | None,
    ) -> None:
        self._attached = attached
        self._reader = reader
        self._scope = scope
        self._guard = guard
        self._source: Source | None = None

    def next(self, deadline: float) -> Item | None:
        if self._source is None:
            self._source = readings(self._attached, self._reader, guard=self._guard)
        return self._source.next(deadline)

    def waveform(self, deadline: float) -> Waveform | None:
        """The third fresh record: by then the scale has been found."""
        scope = self._scope
        if scope is None:
            return None
        self.close()

        def take(driver: Any) -> Waveform:
            for _ in range(2):
                scope(driver, deadline)
            return scope.record(driver, deadline)

        return self._attached.use(take, guard=self._guard)

    def close(self) -> None:
        if self._source is not None:
            self._source.close()
            self._source = None


class _SwitchedSupply:
    """A supply through its attachment, so that a lost link is reopened first."""

    def __init__(self, attached: Attached) -> None:
        self._attached = attached

    def set_output(self, on: bool) -> None:
        self._attached.use(lambda supply: supply.set_output(on))

    def output_is_on(self) -> bool:
        return self._attached.use(lambda supply: bool(supply.output_is_on()))

    def measure(self, function: Function, deadline: float) -> Reading:
        return self._attached.use(lambda supply: cast(Reading, supply.measure(function, deadline)))
