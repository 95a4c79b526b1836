"""The narrow seam between a driver and the world."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class LineSettings:
    """How a serial port must be set before a byte is believed. `dtr`/`rts` None: leave alone.

    `flow` "dsrdtr" names what the instrument does; no POSIX system holds bytes back for it, so DTR is only kept on, and
    a driver sends no more at a time than such an instrument takes.
    """

    baud: int = 9600
    data_bits: int = 8
    parity: str = "N"  # N, E, O
    stop_bits: float = 1
    dtr: bool | None = None
    rts: bool | None = None
    flow: str = "none"  # none, xonxoff, rtscts, dsrdtr


class Link(Protocol):
    """A byte stream to one instrument. Used by one thread only."""

    @property
    def address(self) -> str:
        """As the bench file names it, for messages."""
        ...

    def write(self, data: bytes) -> None:
        """Send all of `data`. Raises LinkLost if the far end is gone, LinkTimeout if it does not take the bytes."""
        ...

    def read(self, deadline: float) -> bytes:
        """Whatever has come, as soon as at least one byte has; b"" if nothing came before `deadline`.

        `deadline` is in seconds of the clock the link was opened with; one in the past only looks what is there.
        Raises LinkLost if the far end is gone (never b"" for that).
        """
        ...

    def close(self) -> None:
        """Let go of the port. Safe to call twice; never raises."""
        ...
