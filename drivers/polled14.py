"""Bench and handheld meters that answer `D` with 14 characters (Metex and many relabels).

Characters: mode (2), value right-aligned (7), unit (4), CR. The value field starts at character 2, not 3: some
manuals split it otherwise and lose the minus of a five-digit value. There are no bits for auto range, hold, relative
or low battery: those states cannot be seen on this link. Letter case varies between makers, so units are read without
case: `mV` is always milli, `MOHM` always mega (no meter of this kind shows milliohms). Source: libsigrok and
published manuals.

The lead needs DTR on and RTS off; 7N2 at 600, 1200, 2400 or 9600 baud by model.
"""

from __future__ import annotations

import re

from benchrig.errors import FrameError
from benchrig.instruments import LineSettings
from benchrig.readings import Flag, Reading

from . import display

LENGTH = 14
LINE = LineSettings(baud=9600, data_bits=7, parity="N", stop_bits=2, dtr=True, rts=False)

# unit as written, lower case -> (prefix, base unit)
_UNITS = {
    "v": ("", "V"), "mv": ("m", "V"),
    "a": ("", "A"), "ma": ("m", "A"), "ua": ("u", "A"),
    "ohm": ("", "ohm"), "kohm": ("k", "ohm"), "mohm": ("M", "ohm"),
    "pf": ("p", "F"), "nf": ("n", "F"), "uf": ("u", "F"),
    "hz": ("", "Hz"), "khz": ("k", "Hz"), "mhz": ("M", "Hz"),
    "c": ("", "degC"), "f": ("", "degF"),
    "db": ("", "dB"), "dbm": ("", "dBm"), "w": ("", "W"),
    "": ("", "1"),
}  # fmt: skip
_ANY = frozenset(unit for _, unit in _UNITS.values())
# mode, upper case -> (units it may stand beside, flags it means)
_MODES: dict[str, tuple[frozenset[str], Flag]] = {
    "DC": (frozenset({"V", "A"}), Flag.DC),
    "AC": (frozenset({"V", "A"}), Flag.AC),
    "OH": (frozenset({"ohm"}), Flag.NONE),
    "CO": (frozenset({"ohm"}), Flag.CONTINUITY),
    "CA": (frozenset({"F"}), Flag.NONE),
    "DI": (frozenset({"V"}), Flag.DIODE),
    "FR": (frozenset({"Hz"}), Flag.NONE),
    "TE": (frozenset({"degC", "degF"}), Flag.NONE),
    "TM": (frozenset({"degC", "degF"}), Flag.NONE),
    "HF": (frozenset({"1"}), Flag.NONE),
    "DB": (frozenset({"dB", "dBm"}), Flag.NONE),
    "WT": (frozenset({"W"}), Flag.NONE),
    "LO": (frozenset({"1"}), Flag.INVALID),
    "MN": (_ANY, Flag.MINMAX),
    "MX": (_ANY, Flag.MINMAX),
    "AG": (_ANY, Flag.MINMAX),
    "  ": (_ANY - {"1"}, Flag.NONE),
}
_TEMPERATURE = ("TE", "TM")
_NUMBER = re.compile(r"([+-]?) *(\d+\.?\d*|\.\d+)")
_OVERLOAD = re.compile(r"([+-]?) *(\.?OL|O\.L|OL\.)")
_LOGIC = frozenset({"READY", "FLOAT", "HI", "LO"})


def decode(frame: bytes) -> Reading:
    """The reading in one answer of 14 characters; time 0. Raises FrameError for anything else."""
    if len(frame) != LENGTH or not all(0x20 <= byte < 0x7F for byte in frame[:13]):
        raise FrameError("Not 13 printable characters and CR.", frame=frame)
    mode = frame[:2].decode("ascii").upper()
    if mode not in _MODES:
        raise FrameError(f"Mode {mode!r} is not known.", frame=frame)
    # One temperature meter was seen to end in a space.
    if frame[13:] != b"\r" and not (mode in _TEMPERATURE and frame[13:] == b" "):
        raise FrameError("The last character is not CR.", frame=frame)
    units, flags = _MODES[mode]
    prefix, unit = _unit(frame, mode)
    if unit not in units:
        raise FrameError(f"Mode {mode} does not go with the unit {prefix}{unit}.", frame=frame)
    return _reading(frame, prefix, unit, flags)


def _unit(frame: bytes, mode: str) -> tuple[str, str]:
    written = frame[9:13].decode("ascii").strip()
    if written.lower() not in _UNITS:
        raise FrameError(f"Unit {written!r} is not known.", frame=frame)
    if written.lower() == "f":  # farad or Fahrenheit: only the mode can tell
        if mode in _TEMPERATURE:
            return "", "degF"
        if mode == "CA":
            return "", "F"
        raise FrameError("The unit F is farad or Fahrenheit, and the mode does not say which.", frame=frame)
    return _UNITS[written.lower()]


def _reading(frame: bytes, prefix: str, unit: str, flags: Flag) -> Reading:
    value = frame[2:9].decode("ascii").strip()
    if match := _OVERLOAD.fullmatch(value.upper()):
        return display.no_number("".join(match.groups()), unit, flags | Flag.OVERLOAD, prefix=prefix)
    if Flag.INVALID in flags:
        if value.upper() not in _LOGIC:
            raise FrameError(f"{value!r} is no logic state.", frame=frame)
        return display.no_number(value, unit, flags)
    match = _NUMBER.fullmatch(value)
    if not match:
        raise FrameError(f"{value!r} is not a number.", frame=frame)
    shown = match[1].replace("+", "") + match[2].removesuffix(".")
    if unit == "degF":
        return display.celsius(shown, flags)
    return display.number(shown, unit, flags, prefix=prefix)
