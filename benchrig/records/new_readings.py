"""What is new in a channel since the last look, for whoever follows a record while it is written. Pure.

A few blocks are unpacked and told reading by reading; of many, as after a late start, the sums of each are told.
Blocks are joined while one looks: of a block that was seen in part only its later readings are new.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from ..readings import UNUSABLE

FEW = 64  # blocks


class Cursor(NamedTuple):
    """How far a channel was read: the newest single reading, and the newest moment of a block, in microseconds."""

    row: int = 0
    moment: int = -(2**62)


@dataclass(frozen=True, slots=True)
class Stretch:
    """Some readings in a row. `end` in seconds of the sitting; values None where none of them is usable."""

    end: float
    readings: int
    least: float | None = None
    greatest: float | None = None
    newest: float | None = None


def of_rows(rows: Sequence[Any]) -> list[Stretch]:
    """Single readings: rows of `at_us, value, flags`."""
    return [_one(at / 1e6, value, flags) for at, value, flags in rows]


def of_blocks(rows: Sequence[Any], after: int) -> Iterator[Stretch]:
    """Blocks: rows of `from_us, to_us, count, stood_for, least, greatest, packed`, in order of time."""
    for start, end, count, stood_for, least, greatest, packed in rows:
        if start > after and len(rows) > FEW:
            yield Stretch(end / 1e6, stood_for, least, greatest, None)
        else:
            yield from _unpacked(packed, start, count, after)


def _unpacked(packed: bytes, start: int, count: int, after: int) -> Iterator[Stretch]:
    from .packing import unpack

    for at, value, flags in zip(*(column.tolist() for column in unpack(packed, start, count)), strict=True):
        if at > after:
            yield _one(at / 1e6, value, flags)


def _one(time: float, value: float | None, flags: int) -> Stretch:
    usable = value is not None and value == value and not flags & UNUSABLE.value  # nan is not equal to itself
    known = value if usable else None
    return Stretch(time, 1, known, known, known)
