"""A link that plays one side of a dialogue and insists on the other.

The dialogue is what a `WireLog` exports, so that trouble in the field becomes a test: pairs of what is sent and what
comes back. It is an error if something else is sent, if pairs are left over at the end, or if an answer was not read.
"""

from __future__ import annotations

from collections.abc import Iterable
from types import TracebackType
from typing import Self

from ..links.logged import Exchange

Pair = tuple[bytes, bytes] | Exchange


class ReplayLink:
    """A `Link` for one dialogue; use it as a context manager, or call `finish`.

    pairs  (sent, answer) in order; an answer of b"" expects none, a sent of b"" speaks without being asked
    """

    def __init__(self, pairs: Iterable[Pair], address: str = "replay") -> None:
        self._address = address
        self._pairs = [_pair(pair) for pair in pairs]
        self._at = 0
        self._sent = b""
        self._coming = bytearray()
        self._speak()

    @property
    def address(self) -> str:
        return self._address

    def write(self, data: bytes) -> None:
        """Raises AssertionError where the dialogue has something else at this place."""
        if self._coming:
            raise AssertionError(
                f"Sent {data!r} while {bytes(self._coming)!r} was not read: an answer was passed over."
            )
        if self._at == len(self._pairs):
            raise AssertionError(f"Sent {data!r} after the end of the dialogue: is a pair missing?")
        self._sent += data
        wanted, answer = self._pairs[self._at]
        if not wanted.startswith(self._sent):
            raise AssertionError(f"Sent {self._sent!r}, but pair {self._at + 1} begins with {wanted!r}.")
        if self._sent == wanted:
            self._coming += answer
            self._sent = b""
            self._at += 1
            self._speak()

    def read(self, deadline: float) -> bytes:
        """Everything that the dialogue has come to; b"" where it is silent."""
        data = bytes(self._coming)
        self._coming.clear()
        return data

    def close(self) -> None:
        """Nothing to let go of; see `finish`."""

    def finish(self) -> None:
        """Raises AssertionError if the dialogue was not played to its end."""
        if self._sent:
            raise AssertionError(f"Pair {self._at + 1} was begun with {self._sent!r} and not ended.")
        if self._coming:
            raise AssertionError(f"The answer {bytes(self._coming)!r} was never read.")
        if self._at < len(self._pairs):
            raise AssertionError(f"{len(self._pairs) - self._at} pairs are left, from {self._pairs[self._at][0]!r} on.")

    def _speak(self) -> None:
        """What comes without being asked."""
        while self._at < len(self._pairs) and not self._pairs[self._at][0]:
            self._coming += self._pairs[self._at][1]
            self._at += 1

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            self.finish()


def _pair(pair: Pair) -> tuple[bytes, bytes]:
    if not isinstance(pair, Exchange):
        return pair
    if not pair.whole:
        raise ValueError(f"The answer to {pair.sent!r} was cut in the log; it cannot be played.")
    return pair.sent, pair.answer
