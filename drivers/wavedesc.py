"""The descriptor block (WAVEDESC, 346 bytes) that comes before a record, as published in the scopes' own template.

The word at 34 orders the record's codes and also every number of the descriptor itself. Pure; no I/O.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from benchrig.errors import FrameError

LENGTH = 346
# what follows: (offset, struct code)
_FIELDS = {
    "sample_type": (32, "H"),
    "points": (116, "i"),
    "first_valid": (124, "i"),
    "last_valid": (128, "i"),
    "segments": (144, "i"),
    "gain": (156, "f"),
    "bits": (172, "h"),
    "offset": (160, "f"),
    "interval": (176, "f"),
    "start": (180, "d"),
    "probe": (328, "f"),
}
_ORDERS = {b"\x00\x00": ">", b"\x01\x00": "<"}  # 0 high byte first, 1 low byte first, itself in that order
_KINDS = {0: "i1", 1: "i2"}


@dataclass(frozen=True, slots=True)
class Descriptor:
    """What turns a record's codes into volts (code * gain - offset) and seconds (start + i * interval)."""

    byte_order: str
    sample_type: int
    points: int
    first_valid: int
    last_valid: int
    segments: int
    gain: float
    bits: int
    offset: float
    interval: float
    start: float
    probe: float

    @property
    def dtype(self) -> str:
        """numpy's name of one code as sent."""
        return self.byte_order + _KINDS[self.sample_type]

    @property
    def padded(self) -> bool:
        """True where the array begins or ends with what was never measured: aborted, or rolling.

        The last good point is the last of the array otherwise (no source); 0 is of a relative that does not tell.
        """
        return self.first_valid > 0 or 0 < self.last_valid < self.points - 1

    @property
    def code_limits(self) -> tuple[int, int]:
        """Codes that mean the converter was driven to its end.

        A word holds the converter's bits in its high end: 12 bits end at 32752, 8 bits at 32512. Where the descriptor
        gives no sense the coarser is taken: better a good record called clipped than the reverse.
        """
        if self.sample_type == 0:
            return -128, 127
        bits = self.bits if 8 <= self.bits <= 16 else 8
        highest = (2 ** (bits - 1) - 1) * 2 ** (16 - bits)
        return -highest, highest


def parse(block: bytes) -> Descriptor:
    """The fields of a descriptor. Raises FrameError for what cannot be one."""
    if len(block) < LENGTH or not block.startswith(b"WAVEDESC"):
        raise FrameError(f"{len(block)} bytes that are no descriptor of {LENGTH}.", frame=block[:32])
    order = _ORDERS.get(block[34:36])
    if order is None:
        raise FrameError("The descriptor names no byte order.", frame=block[32:38])
    values = {name: struct.unpack_from(order + code, block, offset)[0] for name, (offset, code) in _FIELDS.items()}
    found = Descriptor(order, **values)
    if found.sample_type not in _KINDS:
        raise FrameError(f"Sample type {found.sample_type} is neither byte nor word.", frame=block[32:38])
    if found.segments > 1:
        raise FrameError(f"A record of {found.segments} segments is not one waveform.", frame=block[144:148])
    return found
