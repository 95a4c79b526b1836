"""Blocks of readings in the SQLite record: each is safe at once, small ones are joined, old ones are thinned.

Rules it keeps:
1. What comes is committed as it comes. Joining replaces small blocks by one large one in a single transaction, so that
   a reading stands in exactly one block whenever the process ends.
2. Thinning keeps real readings, of each stretch of time the least and the greatest, and every one whose flags differ
   from the one before; the sums of a block stay what they were. No extreme is ever lost.
"""

from __future__ import annotations

import sqlite3
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..readings import usable_of
from .packing import Flags, Floats, Micros, pack, unpack

LARGE = 4096  # readings after which small blocks are joined: some pages of the file, so that little of them is empty
SMALL = 2048  # a block of so many stays as it is
FEW = 64  # a block of so few is not thinned
AT_ONCE = 64  # blocks that are thinned in one transaction
_INSERT = (
    "INSERT INTO blocks (channel, from_us, to_us, count, stood_for, usable, least, mean, greatest, resolution, packed)"
    " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
)


@dataclass(frozen=True, slots=True)
class BlockPiece:
    """Readings of one block: microseconds, values, flags; shape (n,) each."""

    times: Micros
    values: Floats
    flags: Flags
    resolution: float | None

    @property
    def usable(self) -> NDArray[np.bool_]:
        return usable_of(self.values, self.flags)

    def row(self, channel: int, *, soon_joined: bool) -> tuple[object, ...]:
        """As it stands in the table."""
        good = self.values[self.usable]
        sums = (None, None, None) if not good.size else (float(good.min()), float(good.mean()), float(good.max()))
        n = int(self.times.size)
        ends = int(self.times[0]), int(self.times[-1])
        packed = pack(self.times, self.values, self.flags, soon_joined=soon_joined)
        return (channel, *ends, n, n, int(good.size), *sums, self.resolution, packed)


class Blocks:
    """Writes blocks through one connection; the caller opens the transactions."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self._db = db
        self._small: dict[int, list[tuple[int, BlockPiece]]] = defaultdict(
            list
        )  # channel -> (block, readings), to join
        self._readings: dict[int, int] = defaultdict(int)  # channel -> how many those are

    def add(self, channel: int, piece: BlockPiece) -> None:
        """One block; a joined one besides, once there is enough to join."""
        small = piece.times.size < SMALL
        block = self._insert(channel, piece, soon_joined=small)
        if not small:
            return
        self._small[channel].append((block, piece))
        self._readings[channel] += int(piece.times.size)
        if self._readings[channel] >= LARGE:
            self.join(channel)

    def join(self, channel: int) -> None:
        """Everything small of a channel becomes one block."""
        waiting = self._small.pop(channel, [])
        self._readings.pop(channel, None)
        if not waiting:
            return
        self._db.executemany("DELETE FROM blocks WHERE id = ?", [(block,) for block, _ in waiting])
        self._insert(channel, joined([piece for _, piece in waiting]))

    def join_all(self) -> None:
        """At the end of a step, and of the work."""
        for channel in list(self._small):
            self.join(channel)

    def forget(self) -> None:
        """After a rollback: what waited to be joined stays in small blocks."""
        self._small.clear()
        self._readings.clear()

    def _insert(self, channel: int, piece: BlockPiece, *, soon_joined: bool = False) -> int:
        block = self._db.execute(_INSERT, piece.row(channel, soon_joined=soon_joined)).lastrowid
        assert block is not None
        return block

    def thin(self, before: int, stretch: int, sitting: int, after: int) -> tuple[int, int]:
        """Thin some blocks of a sitting, of those numbered beyond `after`, to `stretch`: the next `AT_ONCE` that ended
        before `before` (both microseconds).

        Returns (number of the last one looked at, how many readings went); `after` itself once there are no more.
        """
        rows = self._db.execute(
            "SELECT blocks.id, from_us, blocks.count, resolution, packed FROM blocks"
            " JOIN channels ON channels.id = channel JOIN steps ON steps.id = channels.step"
            " WHERE sitting = ? AND to_us < ? AND count = stood_for AND count > ? AND blocks.id > ?"
            " ORDER BY blocks.id LIMIT ?",
            (sitting, before, FEW, after, AT_ONCE),
        ).fetchall()
        gone = [self._thin(row[0], BlockPiece(*unpack(row[4], row[1], row[2]), row[3]), stretch) for row in rows]
        return (rows[-1][0] if rows else after), sum(gone)

    def _thin(self, block: int, piece: BlockPiece, stretch: int) -> int:
        """Returns how many readings of one block went."""
        kept = thinned(piece, stretch)
        count, left = int(kept.size), int(kept.sum())
        if left > count // 2:  # not worth it
            return 0
        data = pack(piece.times[kept], piece.values[kept], piece.flags[kept])
        self._db.execute("UPDATE blocks SET count = ?, packed = ? WHERE id = ?", (left, data, block))
        return count - left


def joined(pieces: list[BlockPiece]) -> BlockPiece:
    """Several as one, in their order; the coarsest resolution, for no reading is finer than it says."""
    resolutions = [it.resolution for it in pieces if it.resolution is not None]
    return BlockPiece(
        np.concatenate([it.times for it in pieces]),
        np.concatenate([it.values for it in pieces]),
        np.concatenate([it.flags for it in pieces]),
        max(resolutions, default=None),
    )


def thinned(piece: BlockPiece, stretch: int) -> NDArray[np.bool_]:
    """Which readings stay, shape (n,): see rule 2. The first and the last always do."""
    kept = np.zeros(piece.times.size, dtype=np.bool_)
    kept[[0, -1]] = True
    kept[1:] |= piece.flags[1:] != piece.flags[:-1]
    usable = np.flatnonzero(piece.usable)
    for part in _stretches(piece.times[usable], stretch):
        places = usable[part]
        values = piece.values[places]
        kept[places[[int(values.argmin()), int(values.argmax())]]] = True
    return kept


def _stretches(times: Micros, stretch: int) -> Iterator[slice]:
    edges = np.flatnonzero(np.diff(times // stretch)) + 1 if times.size else np.empty(0, np.int64)
    bounds = [0, *edges.tolist(), int(times.size)]
    yield from (slice(a, b) for a, b in pairwise(bounds) if b > a)
