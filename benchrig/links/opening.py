"""Which module opens which form of address."""

from __future__ import annotations

from ..clock import Clock
from ..errors import FileError
from .addresses import Rfc2217Address, SerialAddress, SimAddress, SocketAddress, parse_address
from .base import LineSettings, Link
from .inprocess import InProcessLink, InProcessWorld
from .transports import MessageAddress


def open_address(address: str, clock: Clock, line: LineSettings, world: InProcessWorld | None) -> Link:
    """See `links.open_link`."""
    found = parse_address(address)
    if isinstance(found, SimAddress):
        return _open_simulated(found, clock, world)
    if isinstance(found, SerialAddress):
        from .ports import open_port

        return open_port(found, clock, line)
    if isinstance(found, MessageAddress):
        return found.open(clock)
    if isinstance(found, Rfc2217Address):
        from .rfc2217 import open_rfc2217

        return open_rfc2217(found, clock, line)
    from . import visa

    if isinstance(found, SocketAddress):
        return visa.open_socket(found, clock)
    return visa.open_serial(found, clock, line)


def _open_simulated(address: SimAddress, clock: Clock, world: InProcessWorld | None) -> Link:
    if world is None:
        raise FileError(
            f"{address.text}: there is no simulated bench in this run.",
            next_step="Use `benchrig rehearse`, or give the address of a real instrument.",
        )
    try:
        double = world.double(address.name)
    except LookupError as error:
        words = str(error.args[0]) if error.args else "The simulated bench has no instrument of this name."
        raise FileError(f"{address.text}: {words}", next_step="Correct the name.") from None
    return InProcessLink(address.text, clock, double)
