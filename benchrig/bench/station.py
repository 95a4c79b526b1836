"""A bench in use: its instruments attached by name, each only when it is asked for.

Whether every instrument is a double is answered from what was handed in by the code that started the doubles: the
simulated world itself, or the servers this process runs. No file and no switch can say so.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Protocol

from ..clock import Clock
from ..instruments import load_world
from ..links.addresses import SimAddress, SocketAddress, parse_address, place_of
from ..links.inprocess import InProcessWorld
from ..links.transports import MessageAddress
from .attach import Attached, Patience
from .model import Bench, InstrumentSpec


class DoubleServers(Protocol):
    """Simulated instruments that this process has started and still runs."""

    def addresses(self) -> Collection[str]:
        """Addresses that answer now; empty once the servers have ended."""
        ...


class Station:
    """A bench in use.

    world    the simulated bench behind `sim://` addresses; built as the bench file names it where none is given
    servers  doubles that this process serves on loopback ports and pseudo-terminals
    """

    def __init__(
        self,
        bench: Bench,
        clock: Clock,
        *,
        world: InProcessWorld | None = None,
        servers: DoubleServers | None = None,
        patience: Patience | None = None,
    ) -> None:
        self.bench = bench
        self.clock = clock
        self._world = world or (load_world(bench.world)(clock) if bench.world else None)
        self._servers = servers
        self._patience = patience
        self._attached: dict[str, Attached] = {}

    def attached(self, name: str) -> Attached:
        """The instrument called `name`, not opened by this. Raises FileError for a name the bench does not have."""
        if name not in self._attached:
            spec = self.bench.instrument(name)
            self._attached[name] = Attached(
                spec, self.clock, world=self._world, patience=self._patience,
                others=lambda: tuple(self._attached.values()),
            )  # fmt: skip
        return self._attached[name]

    def close(self) -> None:
        """Hand back every front panel and let go of every port."""
        for attached in self._attached.values():
            attached.close()

    def all_doubles(self) -> bool:
        """True only if every instrument of the bench is provably simulated."""
        served = {place_of(parse_address(text)) for text in (self._servers.addresses() if self._servers else ())}
        return all(self._is_double(spec, served) for spec in self.bench.instruments.values())

    def _is_double(self, spec: InstrumentSpec, served: Collection[tuple[str, str]]) -> bool:
        if not spec.address:
            return False
        address = parse_address(spec.address)
        if isinstance(address, SimAddress):
            return self._world is not None
        if isinstance(address, SocketAddress | MessageAddress) and not _is_loopback(address.host):
            return False
        return place_of(address) in served


def _is_loopback(host: str) -> bool:
    return host.lower() == "localhost" or host.startswith("127.")
