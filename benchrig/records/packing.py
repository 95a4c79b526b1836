"""Readings of a block as bytes and back: times to the microsecond, values bit for bit, flags as they came.

Each column is turned into rows of equal significance (all first bytes, then all second bytes ...), which a byte
compressor shrinks well; times as differences of differences, which are nearly all zero at an even pace. Small blocks,
and those that are joined into larger ones soon, are not compressed.

Values that are whole multiples of a power of ten, as everything is that was read as decimal text, are kept as the
differences of those whole numbers: a third of the bytes, and still bit for bit, for that is tried before it is done.

Layout, little-endian: one byte of form, then three columns one after the other: n second differences of times (int64,
microseconds, from the start of the block), n values (float64), n flags (uint32). Form 0 plain, 1 deflated; 2 deflated
with a byte for the power of ten before it, and in place of values differences of whole numbers (int64). Differences
are folded, 0, -1, 1, -2 ... as 0, 1, 2, 3 ..., so that small ones have no high bytes whatever their sign.
"""

from __future__ import annotations

import zlib
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from .facts import StoreError

PLAIN, DEFLATED, DECIMAL = 0, 1, 2
SMALL = 64  # readings that are not worth compressing
DECIMALS = 15  # at most, after the point; powers of ten up to 22 are exact in float64
_WHOLE = 2.0**53  # whole numbers up to here are exact in float64
_ROW = 8 + 8 + 4  # bytes of one reading, unpacked

Micros = NDArray[np.int64]
Floats = NDArray[np.float64]
Flags = NDArray[np.uint32]


def pack(times: Micros, values: Floats, flags: Flags, *, soon_joined: bool = False) -> bytes:
    """Three columns of shape (n,) as bytes; as they are where that is not for long."""
    bends = _folded(np.diff(np.diff(times, prepend=times[:1]), prepend=0))
    kept, bits = values.astype("<f8"), flags.astype("<u4")
    if soon_joined or times.size < SMALL:
        return bytes([PLAIN]) + b"".join(column.tobytes() for column in (bends, kept, bits))
    places = decimals(values)
    if places is None:
        return bytes([DEFLATED]) + _deflated(bends, kept, bits)
    steps = _folded(np.diff(_whole(values, places), prepend=0))
    return bytes([DECIMAL, places]) + _deflated(bends, steps, bits)


def unpack(packed: bytes, start: int, count: int) -> tuple[Micros, Floats, Flags]:
    """`count` readings from `start` (microseconds) on. Raises StoreError where the bytes are not that."""
    form, body = _body(packed, count)
    cut = (0, 8 * count, 16 * count, _ROW * count)
    parts = [body[a:b] for a, b in pairwise(cut)]
    if form != PLAIN:
        parts = [_in_order(part, count) for part in parts]
    kinds = ("<i8", "<i8" if form == DECIMAL else "<f8", "<u4")
    bends, values, flags = (np.frombuffer(part, kind) for part, kind in zip(parts, kinds, strict=True))
    if form == DECIMAL:
        values = np.cumsum(_unfolded(values)) / 10.0 ** packed[1]
    return start + np.cumsum(np.cumsum(_unfolded(bends))), values, flags


def decimals(values: Floats) -> int | None:
    """How many places after the point give every value back bit for bit; None where no number does."""
    places = _places(values[:8], 0)
    while places is not None and not _exact(values, places):
        places = _places(values, places + 1)
    return places


def _places(values: Floats, least: int) -> int | None:
    return next((places for places in range(least, DECIMALS + 1) if _exact(values, places)), None)


def _exact(values: Floats, places: int) -> bool:
    if not np.all(np.abs(values) < _WHOLE / 10.0**places):  # nan and infinity too
        return False
    back = _whole(values, places) / 10.0**places
    return bool(np.array_equal(back.view(np.int64), np.ascontiguousarray(values).view(np.int64)))  # -0.0 is not 0.0


def _whole(values: Floats, places: int) -> Micros:
    return np.rint(values * 10.0**places).astype(np.int64)


def _body(packed: bytes, count: int) -> tuple[int, bytes]:
    form = packed[0] if packed else -1
    start = {PLAIN: 1, DEFLATED: 1, DECIMAL: 2}.get(form)
    if start is None:
        raise StoreError(f"A block of readings has the form {form}, which nobody knows.")
    try:
        body = packed[start:] if form == PLAIN else zlib.decompress(packed[start:])
    except zlib.error as error:
        raise StoreError(f"A block of readings is damaged: {error}.") from error
    if len(body) != _ROW * count:
        raise StoreError(f"A block of {count} readings has {len(body)} bytes of them instead of {_ROW * count}.")
    return form, body


def _folded(differences: Micros) -> Micros:
    return ((differences << 1) ^ (differences >> 63)).astype("<i8")


def _unfolded(folded: Micros) -> Micros:
    return ((folded >> 1) & np.int64(2**63 - 1)) ^ -(folded & 1)


def _deflated(*columns: NDArray[np.generic]) -> bytes:
    return zlib.compress(b"".join(map(_shuffled, columns)), 1)


def _shuffled(column: NDArray[np.generic]) -> bytes:
    return column.view(np.uint8).reshape(-1, column.itemsize).T.tobytes()


def _in_order(part: bytes, count: int) -> bytes:
    return np.frombuffer(part, np.uint8).reshape(-1, count).T.tobytes()
