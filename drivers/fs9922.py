"""Handheld meters that send digits and status bits: FS9922-DMM3 (4000 counts) and FS9922-DMM4 (6000 counts).

14 bytes at 2400 8N1, unasked: sign, four digits, a space, the point's place, four bytes of status bits, a bar graph,
CR LF. The status bytes are binary and may themselves be 0A or 0D, so a stream is never cut at line ends. Source: the
chip makers' table, on which libsigrok and two independent decoders agree bit for bit.

The data sheet prints `3` for the point after digit 3; meters send `4`. Both mean that place and nothing else, so both
are taken. The lead's receiver is fed from the port: DTR on, RTS off.
"""

from __future__ import annotations

from collections.abc import Mapping

from benchrig.errors import FrameError
from benchrig.instruments import LineSettings
from benchrig.readings import Flag, Reading
from benchrig.wire.frames import FixedFrames

from . import display
from .streamed import Grammar, StreamedMeter

LENGTH = 14
LINE = LineSettings(baud=2400, data_bits=8, parity="N", stop_bits=1, dtr=True, rts=False)

_OVERLOAD = b"?0:?"
_DECIMALS = {ord("0"): 0, ord("1"): 3, ord("2"): 2, ord("3"): 1, ord("4"): 1}
_LONGEST_BAR = 61  # 60 segments on DMM4, and one more for overload
# (byte, mask) of each status bit
_MULTIPLIERS = {(8, 0x02): "n", (9, 0x80): "u", (9, 0x40): "m", (9, 0x20): "k", (9, 0x10): "M"}
_UNITS = {
    (9, 0x02): "%",
    (10, 0x80): "V",
    (10, 0x40): "A",
    (10, 0x20): "ohm",
    (10, 0x10): "1",  # hFE, a current gain
    (10, 0x08): "Hz",
    (10, 0x04): "F",
    (10, 0x02): "degC",
    (10, 0x01): "degF",
}
_FLAGS = {
    (7, 0x20): Flag.AUTORANGE,
    (7, 0x10): Flag.DC,
    (7, 0x08): Flag.AC,
    (7, 0x04): Flag.RELATIVE,
    (7, 0x02): Flag.HOLD,
    (8, 0x20): Flag.MINMAX,
    (8, 0x10): Flag.MINMAX,
    (8, 0x04): Flag.LOW_BATTERY,
    (9, 0x08): Flag.CONTINUITY,
    (9, 0x04): Flag.DIODE,
}


def aligned(window: bytes) -> bool:
    """True if 14 bytes have the sign, the space and the line end of a frame in their places."""
    return len(window) == LENGTH and window[0] in b"+-" and window[5] == 0x20 and window[12:] == b"\r\n"


def decode(frame: bytes) -> Reading:
    """The reading in one frame; time 0. Raises FrameError for anything but exactly one legal frame."""
    if not aligned(frame):
        raise FrameError("Not 14 bytes with a sign, a space at 5 and CR LF at 12.", frame=frame)
    if frame[6] not in _DECIMALS:
        raise FrameError("The point's place is none of 0 1 2 3 4.", frame=frame)
    if frame[7] & 0xC0:
        raise FrameError("The two top bits of the first status byte are always 0.", frame=frame)
    if frame[7] & 1 and frame[11] & 0x7F > _LONGEST_BAR:
        raise FrameError("The bar graph is longer than any display's.", frame=frame)
    flags = _flags(frame)
    prefix = _only_one(frame, _MULTIPLIERS, "multiplier")
    unit = _only_one(frame, _UNITS, "unit")
    _check_marks(frame, unit, prefix, flags)
    return _reading(frame, prefix, unit, flags)


def _reading(frame: bytes, prefix: str, unit: str, flags: Flag) -> Reading:
    sign = "-" if frame[0] == ord("-") else ""
    decimals = _DECIMALS[frame[6]]
    if frame[1:5] == _OVERLOAD:
        shown = f"{sign}0.L" if decimals else f"{sign}0L"
        return display.no_number(shown, unit, flags | Flag.OVERLOAD, prefix=prefix)
    digits = frame[1:5].decode("latin-1")
    if not (digits.isascii() and digits.isdigit()):
        raise FrameError("The four digits are neither 0 to 9 nor the overload sign.", frame=frame)
    shown = sign + display.point_at(digits, decimals)
    if unit == "degF":
        return display.celsius(shown, flags)
    return display.number(shown, unit, flags, prefix=prefix)


def _set(frame: bytes, table: Mapping[tuple[int, int], str]) -> list[str]:
    return [name for (index, mask), name in table.items() if frame[index] & mask]


def _only_one(frame: bytes, table: Mapping[tuple[int, int], str], noun: str) -> str:
    found = _set(frame, table)
    if len(found) > 1:
        raise FrameError(f"More than one {noun} is set: {' '.join(found)}.", frame=frame)
    return found[0] if found else ""


def _flags(frame: bytes) -> Flag:
    flags = Flag.NONE
    for (index, mask), flag in _FLAGS.items():
        if frame[index] & mask:
            flags |= flag
    if Flag.AC in flags and Flag.DC in flags:
        raise FrameError("AC and DC are both set.", frame=frame)
    return flags


def _check_marks(frame: bytes, unit: str, prefix: str, flags: Flag) -> None:
    """Refuse bits that cannot stand together."""
    if not unit:
        raise FrameError("No unit is set.", frame=frame)
    if not display.stands_before(prefix, unit):
        raise FrameError(f"The multiplier {prefix} is set beside {unit}.", frame=frame)
    if Flag.DIODE in flags and unit != "V":
        raise FrameError(f"The diode bit is set beside {unit}, not beside V.", frame=frame)
    if Flag.CONTINUITY in flags and unit != "ohm":
        raise FrameError(f"The beeper bit is set beside {unit}, not beside ohm.", frame=frame)


def frames() -> FixedFrames:
    """A framer for this grammar's stream; it may start anywhere and lose anything."""
    return FixedFrames(LENGTH, aligned)


class Fs9922Meter(StreamedMeter):
    """A handheld of this family. Option: `interval` in seconds."""

    LINE = LINE
    GRAMMAR = Grammar("fs9922", LINE, LENGTH, frames, decode, interval=0.5)
