"""What every driver is given for a link: one that can be opened again behind it, and remembers what went over it.

The log is always on, bounded, every byte timed.

The log is what a regression test plays back (`benchrig.testing.ReplayLink`), and what a person reads after trouble.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from ..clock import Clock
from ..errors import LinkLost
from .base import Link

RING_BYTES = 256 * 1024  # some hours of a talking meter, some minutes of a fast polled one
PIECE_BYTES = 4096  # a longer piece keeps its head only: a waveform is not worth the room
_OVERHEAD = 64  # bytes an entry costs besides its data, so that a flood of single bytes is bounded too


@dataclass(frozen=True, slots=True)
class LoggedPiece:
    """Bytes that went one way at one time (clock seconds). `left_out` bytes followed that were not kept."""

    time: float
    sent: bool
    data: bytes
    left_out: int = 0

    def __str__(self) -> str:
        more = f" (+{self.left_out} bytes)" if self.left_out else ""
        return f"{self.time:12.4f} {'>' if self.sent else '<'} {self.data!r}{more}"


@dataclass(frozen=True, slots=True)
class Exchange:
    """What was sent, and what came back before the next was sent."""

    sent: bytes
    answer: bytes
    whole: bool = True


class WireLog:
    """The newest pieces, bounded by bytes. It outlives one link, so that it shows both sides of a gap."""

    def __init__(self, limit: int = RING_BYTES) -> None:
        self._limit = limit
        self._pieces: deque[tuple[float, bool, bytes, int]] = (
            deque()
        )  # as Piece; a tuple is made in a third of the time
        self._held = 0
        self.forgotten = 0  # pieces that fell off the old end

    def add(self, time: float, sent: bool, data: bytes) -> None:
        kept = data if len(data) <= PIECE_BYTES else data[:PIECE_BYTES]
        self._pieces.append((time, sent, kept, len(data) - len(kept)))
        self._held += len(kept) + _OVERHEAD
        while self._held > self._limit:
            self._held -= len(self._pieces.popleft()[2]) + _OVERHEAD
            self.forgotten += 1

    def pieces(self) -> Sequence[LoggedPiece]:
        """Oldest first."""
        return tuple(LoggedPiece(*piece) for piece in tuple(self._pieces))

    def text(self, last: int = 40) -> str:
        """The last pieces, a line each."""
        return "\n".join(str(piece) for piece in self.pieces()[-last:])

    def dialogue(self) -> list[Exchange]:
        """The log as exchanges, for `ReplayLink`. What came before the first thing sent has `sent` b""."""
        return list(_exchanges(self.pieces()))


def _exchanges(pieces: Sequence[LoggedPiece]) -> Iterator[Exchange]:
    sent, answer, whole = b"", bytearray(), True
    for piece in pieces:
        if piece.sent and answer:
            yield Exchange(sent, bytes(answer), whole)
            sent, answer, whole = b"", bytearray(), True
        if piece.sent:
            sent += piece.data
        else:
            answer += piece.data
        whole = whole and not piece.left_out
    if sent or answer:
        yield Exchange(sent, bytes(answer), whole)


class LoggedLink:
    """Passes everything on and notes it."""

    def __init__(self, link: Link, clock: Clock, log: WireLog | None = None) -> None:
        self._link = link
        self._now = clock.now
        self.log = WireLog() if log is None else log

    @property
    def address(self) -> str:
        return self._link.address

    def write(self, data: bytes) -> None:
        self.log.add(self._now(), True, data)
        self._link.write(data)

    def read(self, deadline: float) -> bytes:
        data = self._link.read(deadline)
        if data:
            self.log.add(self._now(), False, data)
        return data

    def close(self) -> None:
        self._link.close()


class LinkSlot:
    """Stays the same object while the port behind it is opened again; holds a link, or none.

    A driver keeps the link it was built with; after a lost link only what is in the slot changes. While the slot is
    empty every call raises LinkLost, so nothing can pass for silence.
    """

    def __init__(self, address: str) -> None:
        self._address = address
        self._link: Link | None = None

    @property
    def address(self) -> str:
        return self._address

    @property
    def filled(self) -> bool:
        return self._link is not None

    def put(self, link: Link) -> None:
        """Use `link` from now on; the one before is closed."""
        self.close()
        self._link = link

    def write(self, data: bytes) -> None:
        self._held("write").write(data)

    def read(self, deadline: float) -> bytes:
        return self._held("read").read(deadline)

    def close(self) -> None:
        """Let go of the link; the slot can be filled again."""
        link, self._link = self._link, None
        if link is not None:
            link.close()

    def _held(self, doing: str) -> Link:
        if self._link is None:
            raise LinkLost(f"{self._address}: the link is not open.", address=self._address, doing=doing)
        return self._link
