"""Ways to an instrument: VISA, serial, in process; a log of what went over them. Opened by address."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .base import LineSettings, Link

if TYPE_CHECKING:
    from ..clock import Clock
    from .inprocess import InProcessWorld

__all__ = ["LineSettings", "Link", "open_link"]


def open_link(
    address: str, clock: Clock, line: LineSettings | None = None, world: InProcessWorld | None = None
) -> Link:
    """Open `address`; pyvisa and pyserial are imported only now, and only if this address needs them.

    line   how a serial line must be set; what the address itself says comes first
    world  where `sim://` names are looked up

    Raises FileError for an address of no known form, LinkError (with the cure) where it cannot be opened.
    """
    from .opening import open_address

    return open_address(address, clock, line or LineSettings(), world)
