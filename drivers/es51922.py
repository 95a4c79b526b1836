"""Handheld meters on the ES51922 or ES51921: 22000 counts, 14 bytes at 19200 7O1, two conversions a second.

Bytes: range, five digits, function, status, four option bytes, CR LF. Source: the chip's data sheet v3.2, section 4.
One thing is taken from 53 published field captures instead, because the sheet contradicts them: the judge bit is 1
for duty, 0 for frequency. The number on the wire stays live while HOLD freezes the display; it is flagged HOLD all
the same, because operator and program then see different values.

The sister chips ES51931 and ES51932 order the last option byte in another way, and set a bit that is always 0 here:
their frames are refused, and so are the ADP modes, for which no unit is known.
"""

from __future__ import annotations

from benchrig.errors import FrameError
from benchrig.readings import Flag, Reading
from benchrig.wire.frames import FixedFrames

from . import cyrustek, display
from .cyrustek import LINE as LINE
from .cyrustek import DisplayRange, Ranges, ranges
from .streamed import Grammar, StreamedMeter

LENGTH = 14

_VOLT, _MICROAMP, _MILLIAMP, _AMP, _CLAMP = 0xB, 0xD, 0xF, 0x0, 0x9
_FREQUENCY, _TEMPERATURE, _DIODE, _CONTINUITY = 0x2, 0x4, 0x1, 0x5
_TABLES: dict[int, Ranges] = {
    _VOLT: ranges("V", "2.2000", "22.000", "220.00", "2200.0", "220.00 m"),
    _MICROAMP: ranges("A", "220.00 u", "2200.0 u"),
    _MILLIAMP: ranges("A", "22.000 m", "220.00 m"),
    _AMP: ranges("A", "22.000"),
    _CLAMP: ranges("A", "2.2000", "22.000", "220.00", "2200.0", "22000"),
    0x3: ranges("ohm", "220.00", "2.2000 k", "22.000 k", "220.00 k", "2.2000 M", "22.000 M", "220.00 M"),
    _CONTINUITY: ranges("ohm", "220.00"),
    _DIODE: ranges("V", "2.2000"),
    # The two lowest ranges fill five places with at most 2200 counts.
    _FREQUENCY: ranges(
        "Hz", "220.00", "2200.0", "-", "22.000 k", "220.00 k", "2.2000 M", "22.000 M", "220.00 M"
    ),
    0x6: ranges(
        "F", "22.000 n", "220.00 n", "2.2000 u", "22.000 u", "220.00 u", "2.2000 m", "22.000 m", "220.00 m"
    ),
}  # fmt: skip
# Wired for a clamp (VBAR set) the two low current functions count amperes: data sheet; one free decoder differs.
_CLAMP_TABLES: dict[int, Ranges] = {
    _MICROAMP: ranges("A", "220.00", "2200.0"),
    _MILLIAMP: ranges("A", "22.000", "220.00"),
}
_DUTY = DisplayRange(1, "%")
_MEASURES_SIGNAL = (_VOLT, _MICROAMP, _MILLIAMP, _AMP, _CLAMP)
_FLAGS = {
    (7, 2): Flag.LOW_BATTERY,
    (7, 1): Flag.OVERLOAD,
    (8, 8): Flag.MINMAX,
    (8, 4): Flag.MINMAX,
    (8, 2): Flag.RELATIVE,
    (9, 8): Flag.UNDERLOAD,
    (9, 4): Flag.MINMAX,  # peak hold, highest
    (9, 2): Flag.MINMAX,  # peak hold, lowest
    (10, 8): Flag.DC,
    (10, 4): Flag.AC,
    (10, 2): Flag.AUTORANGE,
    (11, 2): Flag.HOLD,
}


def aligned(window: bytes) -> bool:
    """True if 14 bytes have the form of a frame, with or without parity bits."""
    return cyrustek.aligned(window, LENGTH)


def decode(frame: bytes) -> Reading:
    """The reading in one frame; time 0. Duty is in "%", as displayed. Raises FrameError for anything else.

    Takes a frame as read from a 7O1 port, or from an 8N1 port with its parity bits.
    """
    plain = cyrustek.seven_bits(frame, LENGTH)
    digits = cyrustek.digits(plain, 1, 5)
    flags = cyrustek.flags(plain, _FLAGS) | _mode_flag(plain)
    _check_marks(plain, flags)
    found = _range(plain)
    sign = "-" if plain[7] & 4 else ""
    if flags & (Flag.OVERLOAD | Flag.UNDERLOAD):
        shown = "UL" if Flag.UNDERLOAD in flags else f"{sign}OL"
        return display.no_number(shown, found.unit, flags, prefix=found.prefix)
    return display.number(sign + display.point_at(digits, found.decimals), found.unit, flags, prefix=found.prefix)


def _mode_flag(frame: bytes) -> Flag:
    return {_DIODE: Flag.DIODE, _CONTINUITY: Flag.CONTINUITY}.get(frame[6] & 15, Flag.NONE)


def _check_marks(frame: bytes, flags: Flag) -> None:
    """Refuse bits that are always 0, and bits that cannot stand together."""
    if frame[0] & 8:
        raise FrameError("The range code is above 7.", frame=frame)
    if frame[9] & 1 or frame[11] & 8:
        raise FrameError("A bit is set that this chip keeps at 0.", frame=frame)
    if Flag.OVERLOAD in flags and Flag.UNDERLOAD in flags:
        raise FrameError("Overload and underload are both set.", frame=frame)
    if frame[10] & 1 and frame[6] & 15 not in (*_MEASURES_SIGNAL, _FREQUENCY):
        raise FrameError("The mark for Hz or % of a signal is set in a mode that has none.", frame=frame)


def _range(frame: bytes) -> DisplayRange:
    """What the digits count: decided by function, range, and the bits that change a function's meaning."""
    function, judge = frame[6] & 15, bool(frame[7] & 8)
    clamp = bool(frame[11] & 4)
    if function == _TEMPERATURE:
        # The digits are always degC, even when the display shows Fahrenheit.
        return DisplayRange(1 if clamp else 2, "degC")
    if function == _FREQUENCY or frame[10] & 1:
        return _DUTY if judge else cyrustek.pick(_TABLES[_FREQUENCY], frame)
    if clamp and function in _CLAMP_TABLES:
        return cyrustek.pick(_CLAMP_TABLES[function], frame)
    if function not in _TABLES:
        raise FrameError(f"Function code {function:X} has no known unit.", frame=frame)
    return cyrustek.pick(_TABLES[function], frame)


def frames() -> FixedFrames:
    """A framer for this grammar's stream; it may start anywhere and lose anything."""
    return FixedFrames(LENGTH, aligned)


class Es51922Meter(StreamedMeter):
    """A handheld of this family. Option: `interval` in seconds."""

    LINE = LINE
    GRAMMAR = Grammar("es51922", LINE, LENGTH, frames, decode, interval=0.5)
