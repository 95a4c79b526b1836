"""Message links: what carries whole messages with an end, behind the seam of byte links.

Rules of this module:
1. A message link gives bytes only while an answer is owed; without one a read waits and gives nothing, and asks
   nothing of the instrument, which would complain of it.
2. What is sent while an answer is owed clears the link first, so that the answer given up cannot come in its place. The
   port proves it with its marks all the same. A link that cannot be cleared is lost: it is closed and opened again.
3. An answer ends where the link says so; a line feed is added where the instrument sent none.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator
from typing import Protocol

from ..clock import Clock
from ..errors import LinkError, LinkLost

_QUOTED = re.compile(rb"\"[^\"]*\"|'[^']*'")


class MessageLink(Protocol):
    """One transport to one instrument. Used by one thread only. Everything but `close` raises LinkLost, LinkTimeout."""

    def send(self, message: bytes) -> None:
        """Send one whole message, with its end."""
        ...

    def receive(self, deadline: float) -> tuple[bytes, bool]:
        """The next piece of the answer, and whether it ends there; (b"", False) if nothing came before `deadline`."""
        ...

    def clear(self) -> None:
        """Drop what is under way in both directions, here and in the instrument (IEEE 488.2 device clear)."""
        ...

    def status(self) -> int:
        """The status byte, without asking the instrument in words."""
        ...

    def close(self) -> None:
        """Let go. Safe to call twice."""
        ...


class MessageBytes:
    """A `Link` over a message link."""

    def __init__(self, address: str, clock: Clock, link: MessageLink) -> None:
        self._address = address
        self._clock = clock
        self._link = link
        self._owed = False
        self._gone = ""

    @property
    def address(self) -> str:
        return self._address

    def write(self, data: bytes) -> None:
        self._check("write")
        with self._losing():
            for message in data.splitlines(keepends=True):
                if self._owed:
                    self._owed = False
                    self._clear()
                self._link.send(message)
                self._owed = b"?" in _QUOTED.sub(b"", message)

    def read(self, deadline: float) -> bytes:
        self._check("read")
        if not self._owed:
            self._clock.sleep_until(deadline)
            return b""
        with self._losing():
            data, end = self._link.receive(deadline)
        if not end:
            return data
        self._owed = False
        return data if data.endswith(b"\n") else data + b"\n"

    def status(self) -> int:
        """The status byte."""
        self._check("read the status byte")
        with self._losing():
            return self._link.status()

    def close(self) -> None:
        self._gone = self._gone or "closed"
        with contextlib.suppress(Exception):  # a link that is gone may raise anything, and there is nothing to save
            self._link.close()

    def _clear(self) -> None:
        try:
            self._link.clear()
        except LinkLost:
            raise
        except LinkError as error:
            raise LinkLost(
                f"{self._address}: it does not take a device clear ({error.message}).",
                address=self._address,
                doing="clear",
                next_step="Switch the instrument off and on.",
            ) from error

    def _check(self, doing: str) -> None:
        if self._gone:
            raise LinkLost(
                f"{self._address}: the link is lost ({self._gone}).",
                address=self._address,
                doing=doing,
                next_step="Check cable and power.",
            )

    @contextlib.contextmanager
    def _losing(self) -> Iterator[None]:
        try:
            yield
        except LinkLost as error:
            self._gone = error.message
            with contextlib.suppress(Exception):
                self._link.close()
            raise
