"""The narrow seam between a driver and the world."""

from __future__ import annotations

from typing import Protocol


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
