"""Handheld meters that send their display's segments: FS9721_LP3 (4000 counts) and FS9721B (2400 counts).

14 bytes at 2400 8N1, unasked, about three times a second, no checksum. The high nibble of byte i is i + 1; the low
nibbles are segments and annunciators. Source: the chip family's published segment map as free decoders agree on it
(libsigrok, digital-multimeter, fs9721-utils). Because one flipped segment often makes another legal digit, every
contradiction is refused: unknown digit, a dark place behind a digit, two points, two multipliers, two units, AC with
DC, the RS232 mark unlit.

The lead's receiver is fed from the port: DTR on, RTS off.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from types import MappingProxyType

from benchrig.errors import FileError, FrameError
from benchrig.instruments import LineSettings
from benchrig.readings import Flag, Reading
from benchrig.wire.frames import FixedFrames

from . import display
from .streamed import Grammar, StreamedMeter

LENGTH = 14
LINE = LineSettings(baud=2400, data_bits=8, parity="N", stop_bits=1, dtr=True, rts=False)

# Seven segments: (low 3 bits of the odd byte) * 16 + low nibble of the next; a top, then clockwise b c d e f, g middle.
_DIGITS = {
    0x7D: "0", 0x05: "1", 0x5B: "2", 0x1F: "3", 0x27: "4", 0x3E: "5", 0x7E: "6", 0x15: "7", 0x7F: "8", 0x3F: "9",
    0x68: "L", 0x00: " ",
}  # fmt: skip
# (byte, mask) of each annunciator
_MULTIPLIERS = {(9, 8): "u", (9, 4): "n", (9, 2): "k", (10, 8): "m", (10, 2): "M"}
_UNITS = {(10, 4): "%", (11, 8): "F", (11, 4): "ohm", (12, 8): "A", (12, 4): "V", (12, 2): "Hz"}
_FLAGS = {
    (0, 8): Flag.AC,
    (0, 4): Flag.DC,
    (0, 2): Flag.AUTORANGE,
    (9, 1): Flag.DIODE,
    (10, 1): Flag.CONTINUITY,
    (11, 2): Flag.RELATIVE,
    (11, 1): Flag.HOLD,
    (12, 1): Flag.LOW_BATTERY,
}
_RS232 = (0, 1)

# What the meter's maker wired to the four free annunciators of byte 13, by series. "" is what holds for every series
# known to use bit 2; bit 1 is Fahrenheit on one and Celsius on another, so it needs the series' name.
USER_BITS: Mapping[str, Mapping[int, str]] = {
    "": {4: "degC"},
    "none": {},
    "DT4000ZC": {4: "degC"},
    "TP4000ZC": {4: "degC"},
    "PCE-DM32": {4: "degC", 2: "degF"},
    "PeakTech 3330": {4: "degC", 2: "degF"},
    "VA18B": {2: "degC"},
    "VA40B": {9: "extreme", 2: "degC"},  # 8 is MIN, 1 is MAX
}


def aligned(window: bytes) -> bool:
    """True if 14 bytes carry the numbers 1 to 14 in their high nibbles."""
    return len(window) == LENGTH and all(byte >> 4 == i + 1 for i, byte in enumerate(window))


def decode(frame: bytes, *, series: str = "") -> Reading:
    """The reading in one frame; time 0. Raises FrameError for anything but exactly one legal frame.

    `series` names a row of `USER_BITS` for the meters whose temperature or min/max marks are known.
    """
    if not aligned(frame):
        raise FrameError("Not 14 bytes numbered 1 to 14 in their high nibbles.", frame=frame)
    if not _lit(frame, _RS232):
        raise FrameError("The RS232 mark is not lit, so this is not output.", frame=frame)
    shown, has_number = _shown(frame)
    flags = _flags(frame)
    prefix = _only_one(frame, _MULTIPLIERS, "multiplier")
    unit = _only_one(frame, _UNITS, "unit")
    user = _user_marks(frame, series)
    if "extreme" in user:
        flags |= Flag.MINMAX
    temperatures = [mark for mark in user if mark.startswith("deg")]
    if len(temperatures) > 1:
        raise FrameError("Celsius and Fahrenheit are both lit.", frame=frame)
    if temperatures and not unit:
        unit = temperatures[0]
    _check_marks(frame, unit, prefix, flags)
    if not has_number:
        return display.no_number(shown, unit or "1", flags | Flag.OVERLOAD, prefix=prefix)
    if unit == "degF":
        return display.celsius(shown, flags)
    return display.number(shown, unit or "1", flags, prefix=prefix)


def _lit(frame: bytes, place: tuple[int, int]) -> bool:
    index, mask = place
    return bool(frame[index] & mask)


def _only_one(frame: bytes, table: Mapping[tuple[int, int], str], noun: str) -> str:
    found = [name for place, name in table.items() if _lit(frame, place)]
    if len(found) > 1:
        raise FrameError(f"More than one {noun} is lit: {' '.join(found)}.", frame=frame)
    return found[0] if found else ""


def _flags(frame: bytes) -> Flag:
    flags = Flag.NONE
    for place, flag in _FLAGS.items():
        if _lit(frame, place):
            flags |= flag
    if Flag.AC in flags and Flag.DC in flags:
        raise FrameError("AC and DC are both lit.", frame=frame)
    return flags


def _user_marks(frame: bytes, series: str) -> list[str]:
    return [name for mask, name in USER_BITS[series].items() if frame[13] & mask]


def _check_marks(frame: bytes, unit: str, prefix: str, flags: Flag) -> None:
    """Refuse marks that cannot stand together."""
    if not display.stands_before(prefix, unit):
        raise FrameError(f"The multiplier {prefix} is lit beside {unit or 'no unit'}.", frame=frame)
    if Flag.DIODE in flags and unit != "V":
        raise FrameError(f"The diode mark is lit beside {unit or 'no unit'}, not beside V.", frame=frame)
    if Flag.CONTINUITY in flags and unit != "ohm":
        raise FrameError(f"The beeper mark is lit beside {unit or 'no unit'}, not beside ohm.", frame=frame)
    if not unit and frame[13] & 0x0F:
        raise FrameError("No unit but a mark that differs from series to series; name the series.", frame=frame)


def _shown(frame: bytes) -> tuple[str, bool]:
    """The display's text with sign and point, and whether it is a number (False: overload)."""
    digits = [_digit(frame, 1 + 2 * place) for place in range(4)]
    points = [place for place in range(1, 4) if frame[1 + 2 * place] & 8]
    if len(points) > 1:
        raise FrameError("Two decimal points are lit.", frame=frame)
    sign = "-" if frame[1] & 8 else ""
    overload = digits == [" ", "0", "L", " "]
    if points:
        digits.insert(points[0], ".")
    shown = "".join(digits).lstrip()
    if overload:
        return sign + shown.rstrip(), False
    # Blanks stand before a number only: one whose last place is dark would be read ten times too small.
    if not shown.replace(".", "").isdigit():
        raise FrameError(f"The display shows {shown!r}, which is not a number.", frame=frame)
    return sign + shown, True


def _digit(frame: bytes, index: int) -> str:
    pattern = (frame[index] & 7) << 4 | frame[index + 1] & 15
    if pattern not in _DIGITS:
        raise FrameError(f"Segments {pattern:02x} in byte {index} are no digit.", frame=frame)
    return _DIGITS[pattern]


def frames() -> FixedFrames:
    """A framer for this grammar's stream; it may start anywhere and lose anything."""
    return FixedFrames(LENGTH, aligned)


class Fs9721Meter(StreamedMeter):
    """A handheld of this family. Options: `interval` in seconds, `series` (a row of `USER_BITS`)."""

    LINE = LINE
    GRAMMAR = Grammar("fs9721", LINE, LENGTH, frames, decode, interval=0.35)
    OPTIONS = MappingProxyType({"series": ""})

    def _decoder(self) -> Callable[[bytes], Reading]:
        series = self.options["series"]
        if series not in USER_BITS:
            raise FileError(
                f"Driver fs9721 knows no series {series!r}.",
                next_step=f"It knows: {', '.join(filter(None, USER_BITS))}.",
            )
        return partial(decode, series=series)
