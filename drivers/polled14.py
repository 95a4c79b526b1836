"""Bench and handheld meters that answer `D` with 14 characters (Metex and many relabels).

Characters: mode (2), value right-aligned (7), unit (4), CR. The value field starts at character 2, not 3: some
manuals split it otherwise and lose the minus of a five-digit value. There are no bits for auto range, hold, relative
or low battery: those states cannot be seen on this link. Letter case varies between makers, so units are read without
case: `mV` is always milli, `MOHM` always mega (no meter of this kind shows milliohms). Source: libsigrok and
published manuals.

The lead needs DTR on and RTS off; 7N2 at 600, 1200, 2400 or 9600 baud by model.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from benchrig.clock import Clock
from benchrig.errors import FrameError, LinkTimeout
from benchrig.instruments import Function, Identity, LineSettings
from benchrig.links.base import Link
from benchrig.readings import Flag, Reading
from benchrig.wire.frames import FixedFrames

from . import display, knob
from . import options as driver_options

LENGTH = 14
LINE = LineSettings(baud=9600, data_bits=7, parity="N", stop_bits=2, dtr=True, rts=False)

# unit as written, lower case -> (prefix, base unit)
_UNITS = {
    "v": ("", "V"), "mv": ("m", "V"),
    "a": ("", "A"), "ma": ("m", "A"), "ua": ("u", "A"),
    "ohm": ("", "ohm"), "kohm": ("k", "ohm"), "mohm": ("M", "ohm"),
    "pf": ("p", "F"), "nf": ("n", "F"), "uf": ("u", "F"),
    "hz": ("", "Hz"), "khz": ("k", "Hz"), "mhz": ("M", "Hz"),
    "c": ("", "degC"),
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
_MOST_LOOKS = 1000  # ends a clean-up on a line that never falls silent
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
    written = frame[9:].decode("ascii").strip()
    if written.lower() == "f":  # farad or Fahrenheit: only the mode can tell
        if mode in _TEMPERATURE:
            return "", "degF"
        if mode == "CA":
            return "", "F"
        raise FrameError("The unit F is farad or Fahrenheit, and the mode does not say which.", frame=frame)
    if written.lower() not in _UNITS:
        raise FrameError(f"Unit {written!r} is not known.", frame=frame)
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


def aligned(window: bytes) -> bool:
    """True if 14 bytes are 13 printable characters and CR."""
    return len(window) == LENGTH and window[13] == 0x0D and all(0x20 <= byte < 0x7F for byte in window[:13])


def frames() -> FixedFrames:
    """A framer for this grammar's stream; it may start anywhere and lose anything."""
    return FixedFrames(LENGTH, aligned)


class Polled14Meter:
    """A meter of this kind. Options: `interval`, seconds an answer usually takes (0.75).

    One `D` is owed one answer. An answer that came too late is waited for and thrown away before the next `D`, so it
    can never pass for the next reading; a model that goes on sending by itself is read like any other.
    """

    LINE = LINE

    def __init__(self, link: Link, clock: Clock, options: Mapping[str, Any] | None = None) -> None:
        self.options = driver_options.take(options, "polled14", {"interval": 0.75})
        self._link = link
        self._clock = clock
        self._interval: float = self.options["interval"]
        self._framer = frames()
        self._unanswered: list[float] = []  # when each D was sent whose answer has not come
        self._doubted = False
        self._function: Function | None = None
        self._steps = display.RangeSteps()

    def identify(self) -> Identity:
        """The grammar, once it answered: these meters have no name."""
        self._poll(self._clock.now() + 5 * self._interval)
        return Identity(model="polled14")

    def select(
        self, function: Function, *, expected: float | None = None, power_line_cycles: float | None = None
    ) -> None:
        """Note what the knob must stand on; range and aperture are the meter's own affair."""
        self._function = function

    def restore(self) -> None:
        """Nothing was set, so nothing is sent again; what was owed before the gap is waited out."""
        self._framer.clear()
        self._unanswered = [self._clock.now()]

    def release(self) -> None:
        """The panel was never taken."""

    def read(self, deadline: float) -> Reading:
        """One polled reading; the meter may have begun it one interval before its answer ended."""
        reading = self._poll(deadline)
        knob.check(self._function, reading, f"polled14 meter at {self._link.address}")
        return self._steps.marked(reading)

    def _poll(self, deadline: float) -> Reading:
        self._quieten(deadline)
        trouble: FrameError | None = None
        while self._clock.now() < deadline:
            self._link.write(b"D")
            self._unanswered.append(self._clock.now())
            # One that was busy with its knob may miss a D.
            again = min(deadline, self._clock.now() + 2 * self._interval)
            while data := self._link.read(again):
                for frame in self._framer.feed(data):
                    try:
                        return self._taken(frame)
                    except FrameError as error:
                        trouble = error
        raise trouble or self._silent()

    def _taken(self, frame: bytes) -> Reading:
        """Answers come in the order of the questions, so this one may be the oldest question's: it began no earlier.

        One that answers no question is of a model that also sends by itself, and is new.
        """
        now = self._clock.now()
        asked = self._unanswered.pop(0) if self._unanswered else now
        return replace(decode(frame), time=now, aperture=max(self._interval, now - asked))

    def _silent(self) -> LinkTimeout:
        return LinkTimeout(
            f"{self._link.address}: no answer to D came in time.",
            address=self._link.address,
            doing="D",
            next_step="Check that the meter is on and in its COM mode, the lead is seated, and its baud rate.",
        )

    def _quieten(self, deadline: float) -> None:
        """Throw away what is there, and give the answers that are still owed two intervals to come.

        One that did not may be lost or later still; so its question is kept in mind for one more reading.
        """
        for _ in range(_MOST_LOOKS):
            data = self._link.read(max(self._clock.now(), min(deadline, self._owed_until())))
            if not data:
                break
            for _ in self._framer.feed(data):
                self._unanswered = self._unanswered[1:]
        if self._clock.now() >= self._owed_until():
            self._unanswered = [] if self._doubted else self._unanswered[:1]
            self._doubted = bool(self._unanswered)
        self._framer.clear()

    def _owed_until(self) -> float:
        return self._unanswered[-1] + 2 * self._interval if self._unanswered else -math.inf
