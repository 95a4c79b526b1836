"""A double behind a transport that carries whole messages: what all such transports have in common.

Rules kept here: a message from the host ends where the transport says so; an answer ends at its line feed, which inside
a block of known length (IEEE 488.2, 8.7.9) is only a byte; a device clear empties both directions.
"""

from __future__ import annotations

import re

from .faults import Cable

_BLOCK = re.compile(rb"#([1-9])")


class Mailbox:
    """One instrument's messages, in and out."""

    def __init__(self, cable: Cable) -> None:
        self._cable = cable
        self._in = b""
        self._out = b""

    @property
    def plugged(self) -> bool:
        return self._cable.plugged

    @plugged.setter
    def plugged(self, value: bool) -> None:
        self._cable.plugged = value

    def hear(self, data: bytes, end: bool) -> None:
        """A piece of a message from the host."""
        self._in += data
        if end:
            message, self._in = self._in, b""
            self._cable.receive(message if message.endswith(b"\n") else message + b"\n")

    def due(self) -> float | None:
        return self._cable.due()

    def take(self, most: int) -> tuple[bytes, bool]:
        """Up to `most` bytes of the oldest answer, and whether it ends there; (b"", False) while it is not whole."""
        self._out += self._cable.take()
        end = answer_end(self._out)
        if not end:
            return b"", False
        data, self._out = self._out[: min(end, most)], self._out[min(end, most) :]
        return data, len(data) == end

    @property
    def waiting(self) -> bool:
        """Message available: something is there to be read."""
        self._out += self._cable.take()
        return bool(self._out)

    def clear(self) -> None:
        """Device clear."""
        self._in = self._out = b""
        self._cable.clear()


def answer_end(data: bytes) -> int:
    """Where the first whole answer in `data` ends, 0 if none does."""
    at = 0
    while True:
        feed = data.find(b"\n", at)
        block = _BLOCK.search(data, at)
        if block is None or 0 <= feed < block.start():
            return feed + 1
        digits = data[block.end() : block.end() + int(block[1])]
        if len(digits) < int(block[1]):
            return 0
        if not digits.isdigit():
            at = block.end()
            continue
        at = block.end() + len(digits) + int(digits)
        if at > len(data):
            return 0
