"""What the ES51922 and ES51986 grammars have in common: bytes of the form 3x, odd parity, range tables.

Every byte but the final CR LF is 0x30 to 0x3F, sent as 7 data bits with odd parity at 19200 baud. A port that cannot
do 7O1 is opened 8N1 and shows the parity as bit 7: such a frame is taken if, and only if, all its parity bits are
right.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from benchrig.errors import FrameError
from benchrig.instruments import LineSettings
from benchrig.readings import Flag

# DTR on and RTS off feed the lead's receiver.
LINE = LineSettings(baud=19200, data_bits=7, parity="O", stop_bits=1, dtr=True, rts=False)


@dataclass(frozen=True, slots=True)
class DisplayRange:
    """One range: how many digits stand after the point, and the unit with its prefix."""

    decimals: int
    unit: str
    prefix: str = ""


Ranges = Mapping[int, DisplayRange]
# (byte, mask) of a status bit
Place = tuple[int, int]


def ranges(unit: str, *full_scales: str) -> Ranges:
    """Range bytes 0, 1, ... from their full scales as data sheets print them: "2.2000", "220.00 m", "-" for none."""
    table = {}
    for index, full_scale in enumerate(full_scales):
        if full_scale != "-":
            digits, _, prefix = full_scale.partition(" ")
            table[index] = DisplayRange(len(digits.partition(".")[2]), unit, prefix)
    return table


def seven_bits(frame: bytes, length: int) -> bytes:
    """The frame without parity bits. Raises FrameError unless it is `length` bytes of the family's form."""
    plain = bytes(byte & 0x7F for byte in frame)
    if not aligned(plain, length):
        raise FrameError(f"Not {length - 2} bytes of the form 3x and CR LF.", frame=frame)
    if plain != frame and not all(byte.bit_count() % 2 for byte in frame):
        raise FrameError("The parity of a byte is even.", frame=frame)
    return plain


def aligned(window: bytes, length: int) -> bool:
    """True if `window`, parity bits aside, is `length` bytes that end in CR LF and are of the form 3x before."""
    return (
        len(window) == length
        and window[-2] & 0x7F == 0x0D
        and window[-1] & 0x7F == 0x0A
        and all(byte & 0x70 == 0x30 for byte in window[:-2])
    )


def digits(frame: bytes, first: int, last: int) -> str:
    """The decimal digits in bytes `first` to `last`. Raises FrameError for a code above 9."""
    codes = [byte & 15 for byte in frame[first : last + 1]]
    if max(codes) > 9:
        raise FrameError("A digit code is above 9.", frame=frame)
    return "".join(map(str, codes))


def flags(frame: bytes, table: Mapping[Place, Flag]) -> Flag:
    """The flags whose bits are set. Raises FrameError for AC with DC."""
    found = Flag.NONE
    for (index, mask), flag in table.items():
        if frame[index] & mask:
            found |= flag
    if Flag.AC in found and Flag.DC in found:
        raise FrameError("AC and DC are both set.", frame=frame)
    return found


def pick(table: Ranges, frame: bytes) -> DisplayRange:
    """The range that byte 0 names in `table`. Raises FrameError if there is none."""
    index = frame[0] & 15
    if index not in table:
        raise FrameError(f"There is no range {index} in this mode.", frame=frame)
    return table[index]
