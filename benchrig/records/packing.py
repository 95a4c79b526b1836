"""Readings of a block as bytes and back: times to the microsecond, values bit for bit, flags as they came.

Each column is turned into rows of equal significance (all first bytes, then all second bytes ...), which a byte
compressor shrinks well; times as differences of differences, which are nearly all zero at an even pace. Small blocks
are not compressed: they are joined into larger ones soon.

Layout, little-endian: one byte of form (0 plain, 1 deflated), then the three columns one after the other: n second
differences of times (int64, microseconds, from the start of the block), n values (float64), n flags (uint32).
"""

from __future__ import annotations

import zlib
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from .facts import StoreError

PLAIN, DEFLATED = 0, 1
SMALL = 64  # readings that are not worth compressing
_ROW = 8 + 8 + 4  # bytes of one reading, unpacked

Micros = NDArray[np.int64]
Floats = NDArray[np.float64]
Flags = NDArray[np.uint32]


def pack(times: Micros, values: Floats, flags: Flags) -> bytes:
    """Three columns of shape (n,) as bytes."""
    bends = np.diff(np.diff(times, prepend=times[:1]), prepend=0)
    columns = (bends.astype("<i8"), values.astype("<f8"), flags.astype("<u4"))
    if times.size < SMALL:
        return bytes([PLAIN]) + b"".join(column.tobytes() for column in columns)
    return bytes([DEFLATED]) + zlib.compress(b"".join(map(_shuffled, columns)), 1)


def unpack(packed: bytes, start: int, count: int) -> tuple[Micros, Floats, Flags]:
    """`count` readings from `start` (microseconds) on. Raises StoreError where the bytes are not that."""
    body = _body(packed, count)
    cut = (0, 8 * count, 16 * count, _ROW * count)
    parts = [body[a:b] for a, b in pairwise(cut)]
    if packed[0] == DEFLATED:
        parts = [_in_order(part, count) for part in parts]
    bends, values, flags = (np.frombuffer(part, kind) for part, kind in zip(parts, ("<i8", "<f8", "<u4"), strict=True))
    return start + np.cumsum(np.cumsum(bends)), values, flags


def _body(packed: bytes, count: int) -> bytes:
    try:
        body = zlib.decompress(packed[1:]) if packed[:1] == bytes([DEFLATED]) else packed[1:]
    except zlib.error as error:
        raise StoreError(f"A block of readings is damaged: {error}.") from error
    if packed[:1] not in (bytes([PLAIN]), bytes([DEFLATED])) or len(body) != _ROW * count:
        raise StoreError(f"A block of {count} readings has {len(body)} bytes of them instead of {_ROW * count}.")
    return body


def _shuffled(column: NDArray[np.generic]) -> bytes:
    return column.view(np.uint8).reshape(-1, column.itemsize).T.tobytes()


def _in_order(part: bytes, count: int) -> bytes:
    return np.frombuffer(part, np.uint8).reshape(-1, count).T.tobytes()
