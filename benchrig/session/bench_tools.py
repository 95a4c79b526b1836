"""A bench in use, as a session needs it: feeds of its instruments, its supply, what is known of each.

Nothing is opened before a feed is. What stands behind a hold point gets the hold point's guard with it, so that even
the thread that reads, and the try to reopen a lost link, ask for the acknowledgement first.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import cast

from ..bench.attach import Attached
from ..bench.model import SUPPLY
from ..bench.source import AttachedFeed
from ..bench.station import Station
from ..instruments import Function
from ..procedure.quantities import Limits, MeterSource
from ..readings import Reading
from ..records.facts import InstrumentFacts
from ..soak.task import Catch, SoakChannel
from .meter_reader import MeterReader
from .scope_reader import ScopeReader
from .soak_listener import Catcher, Ear, Turn, Turns, listen
from .tools import Feed, InstrumentSource, Listener, PowerSwitch

Guard = Callable[[], None]


class BenchTools:
    """`session.tools.Tools` on a `bench.station.Station`."""

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
        reader = self._reader(source, limits, harmless=guard is None)
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
            readers = [self._reader(it.source, it.limits, harmless=guard is None) for it in own]
            turns = [Turn(it.name, how, it.interval, clock.now()) for it, how in zip(own, readers, strict=True)]
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

    def _reader(self, source: InstrumentSource, limits: Limits | None, *, harmless: bool) -> MeterReader | ScopeReader:
        bench, clock = self._station.bench, self._station.clock
        spec = bench.instrument(source.instrument)
        probe = bench.probe(source.probe) if source.probe else None
        if isinstance(source, MeterSource):
            return MeterReader(source, limits, spec, probe, clock)
        return ScopeReader(source, limits, spec, probe, bench.mains, clock, harmless=harmless)

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
