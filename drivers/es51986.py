"""Handheld meters on the ES51981, 82, 83, 84 or 86: 4000 or 6000 counts, 11 bytes at 19200 7O1.

Bytes: range, four digits, function, status, two option bytes, CR LF. Source: libsigrok's table and a second free
decoder with captured frames, which agree on all that is read here; what they disagree on (manual current,
temperature, ADP) is refused. The judge bit is 1 in every captured frame, so it says nothing; frequency is always
hertz.

On several of these chips each conversion is sent twice: two equal frames back to back are one reading. Cousins at
2400 baud (ES51962 and others) send the same form with other tables, and nothing but the baud rate tells them apart:
they are not for this driver.
"""

from __future__ import annotations

from benchrig.errors import FrameError
from benchrig.readings import Flag, Reading
from benchrig.wire.frames import FixedFrames

from . import cyrustek, display
from .cyrustek import LINE as LINE
from .cyrustek import DisplayRange, Ranges, ranges
from .streamed import Grammar, StreamedMeter

LENGTH = 11

_VOLT, _MICROAMP, _MILLIAMP, _AMP, _FREQUENCY, _DIODE, _CONTINUITY = 0xB, 0xD, 0xF, 0x0, 0x2, 0x1, 0x5
_TABLES: dict[int, Ranges] = {
    _VOLT: ranges("V", "6.000", "60.00", "600.0", "6000", "600.0 m"),
    _MICROAMP: ranges("A", "600.0 u", "6000 u"),
    _MILLIAMP: ranges("A", "60.00 m", "600.0 m"),
    _AMP: ranges("A", "6.000", "60.00"),
    0x3: ranges("ohm", "600.0", "6.000 k", "60.00 k", "600.0 k", "6.000 M", "60.00 M"),
    _FREQUENCY: ranges("Hz", "6.000 k", "60.00 k", "600.0 k", "6.000 M", "60.00 M"),
    0x6: ranges("F", "6.000 n", "60.00 n", "600.0 n", "6.000 u", "60.00 u", "600.0 u", "6.000 m"),
    _DIODE: ranges("V", "6.000"),
    _CONTINUITY: ranges("ohm", "600.0"),
}
_MEASURES_SIGNAL = (_VOLT, _MICROAMP, _MILLIAMP, _AMP)
_FLAGS = {
    (6, 2): Flag.LOW_BATTERY,
    (6, 1): Flag.OVERLOAD,
    (7, 8): Flag.HOLD,
    (7, 4): Flag.MINMAX,
    (7, 2): Flag.MINMAX,
    (8, 8): Flag.DC,
    (8, 4): Flag.AC,
    (8, 2): Flag.AUTORANGE,
}


def aligned(window: bytes) -> bool:
    """True if 11 bytes have the form of a frame, with or without parity bits."""
    return cyrustek.aligned(window, LENGTH)


def decode(frame: bytes) -> Reading:
    """The reading in one frame; time 0. Raises FrameError for anything but exactly one legal frame.

    Takes a frame as read from a 7O1 port, or from an 8N1 port with its parity bits.
    """
    plain = cyrustek.seven_bits(frame, LENGTH)
    digits = cyrustek.digits(plain, 1, 4)
    flags = cyrustek.flags(plain, _FLAGS) | _mode_flag(plain)
    if plain[0] & 8:
        raise FrameError("The range code is above 7.", frame=frame)
    if plain[7] & 1:
        raise FrameError("A bit of the first option byte is set that no source knows.", frame=frame)
    found = _range(plain)
    sign = "-" if plain[6] & 4 else ""
    if Flag.OVERLOAD in flags:
        return display.no_number(f"{sign}OL", found.unit, flags, prefix=found.prefix)
    return display.number(sign + display.point_at(digits, found.decimals), found.unit, flags, prefix=found.prefix)


def _mode_flag(frame: bytes) -> Flag:
    return {_DIODE: Flag.DIODE, _CONTINUITY: Flag.CONTINUITY}.get(frame[5] & 15, Flag.NONE)


def _range(frame: bytes) -> DisplayRange:
    function = frame[5] & 15
    if frame[8] & 1:  # Hz of the signal while the knob stands on V or A
        if function not in (*_MEASURES_SIGNAL, _FREQUENCY):
            raise FrameError("The mark for Hz of a signal is set in a mode that has none.", frame=frame)
        return cyrustek.pick(_TABLES[_FREQUENCY], frame)
    if function not in _TABLES:
        raise FrameError(f"Function code {function:X} has no settled unit.", frame=frame)
    return cyrustek.pick(_TABLES[function], frame)


def frames() -> FixedFrames:
    """A framer for this grammar's stream; it may start anywhere and lose anything."""
    return FixedFrames(LENGTH, aligned)


class Es51986Meter(StreamedMeter):
    """A handheld of this family. Option: `interval` in seconds."""

    LINE = LINE
    GRAMMAR = Grammar("es51986", LINE, LENGTH, frames, decode, interval=0.5, sent_twice=True)
