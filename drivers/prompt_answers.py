"""The answers of meters that end each one with a prompt (Fluke 45, 8808A, and 884xA in that emulation). No I/O.

A command line is answered by nothing or one line, then a prompt line: `=>` done, `?>` not understood, `!>` understood
but not possible. With echo on, the command itself comes back first. `FORMAT 2` puts the unit behind each number; with
`FORMAT 1` the number stands alone, and then the unit is "" unless the same line answered `FUNC1?`. `+1E+9` is
overload. Source: the makers' user manuals, cross-read in libsigrok and two public drivers.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from benchrig.errors import FrameError
from benchrig.readings import Flag, Reading

DONE, NOT_UNDERSTOOD, NOT_POSSIBLE = "=>", "?>", "!>"
_PROMPT = re.compile(rb"(?:\A|[\r\n])([=?!]>)[ ]*\r?\n")
_LONGEST = 4096

# unit behind a FORMAT 2 number -> (unit, flags)
_UNITS = {
    "VDC": ("V", Flag.DC),
    "VAC": ("V", Flag.AC),
    "ADC": ("A", Flag.DC),
    "AAC": ("A", Flag.AC),
    "OHMS": ("ohm", Flag.NONE),
    "HZ": ("Hz", Flag.NONE),
}
# answer of FUNC1? -> (unit, flags); the two "AC + DC" functions give the RMS of the whole
FUNCTIONS = {
    "VDC": ("V", Flag.DC),
    "VAC": ("V", Flag.AC),
    "VACDC": ("V", Flag.AC),
    "ADC": ("A", Flag.DC),
    "AAC": ("A", Flag.AC),
    "AACDC": ("A", Flag.AC),
    "OHMS": ("ohm", Flag.NONE),
    "FREQ": ("Hz", Flag.NONE),
    "CONT": ("ohm", Flag.CONTINUITY),
    "DIODE": ("V", Flag.DIODE),
}
_NUMBER = re.compile(r"([+-]?)(\d+)(?:\.(\d*))?(?:E([+-]?\d{1,2}))? *([A-Z]*)", re.IGNORECASE)
_OVERLOAD = 1e9


@dataclass(frozen=True, slots=True)
class PromptAnswer:
    """One whole answer: its lines without echo, and the prompt that ended it."""

    lines: tuple[str, ...]
    prompt: str


def split(buffer: bytes) -> tuple[bytes, bytes]:
    """`(answer, rest)`: all up to and with the first prompt line, and what follows; `(b"", buffer)` if none yet."""
    match = _PROMPT.search(buffer)
    return (buffer[: match.end()], buffer[match.end() :]) if match else (b"", buffer)


def parse(frame: bytes) -> PromptAnswer:
    """The lines and the prompt of one whole answer. Raises FrameError for anything else."""
    answer, rest = split(frame)
    if not answer or rest or len(frame) > _LONGEST:
        raise FrameError("Not one answer that ends in one prompt.", frame=frame)
    if not answer.isascii():
        raise FrameError("The answer holds bytes that are not ASCII.", frame=frame)
    lines = [line.strip() for line in answer.decode("ascii").splitlines()]
    text = [line for line in lines[:-1] if line]
    if text and text[0].endswith("?"):  # an echoed query: nothing else can end so
        text = text[1:]
    return PromptAnswer(tuple(text), lines[-1])


def decode(frame: bytes) -> Reading:
    """The reading in one answer to a value query; time 0.

    Takes the answer to `VAL1?` or `MEAS1?`, alone or joined behind `FUNC1?` and `AUTO?`. Raises FrameError for anything
    that is not exactly one reading: another prompt than `=>`, two displays, no line.
    """
    found = decode_displays(frame)
    if len(found) != 1:
        raise FrameError(f"{len(found)} readings where one was asked for.", frame=frame)
    return found[0]


def decode_displays(frame: bytes) -> tuple[Reading, ...]:
    """Both readings of `VAL?` or `MEAS?`, or the one of a single display. Raises FrameError."""
    answer = parse(frame)
    if answer.prompt != DONE:
        why = "did not understand" if answer.prompt == NOT_UNDERSTOOD else "could not carry out"
        raise FrameError(f"The meter {why} the command.", frame=frame)
    if len(answer.lines) != 1:
        raise FrameError(f"{len(answer.lines)} lines where one was asked for.", frame=frame)
    *states, values = answer.lines[0].split(";")
    unit, flags = _states([state.strip().upper() for state in states], frame)
    return tuple(_value(text.strip(), unit, flags, frame) for text in values.split(","))


def _states(states: list[str], frame: bytes) -> tuple[str, Flag]:
    """What joined answers of `FUNC1?` and `AUTO?` say of the value behind them."""
    unit, flags = "", Flag.NONE
    for state in states:
        if state in FUNCTIONS and not unit:
            unit, more = FUNCTIONS[state]
            flags |= more
        elif state == "1":
            flags |= Flag.AUTORANGE
        elif state != "0":
            raise FrameError(f"{state!r} is neither a function nor the state of autorange.", frame=frame)
    return unit, flags


def _value(text: str, unit: str, flags: Flag, frame: bytes) -> Reading:
    match = _NUMBER.fullmatch(text)
    if not match:
        raise FrameError(f"{text!r} is not a number with a unit.", frame=frame)
    sign, whole, fraction, exponent, behind = match.groups()
    if behind:
        if behind.upper() not in _UNITS:
            raise FrameError(f"Unit {behind!r} is not known.", frame=frame)
        own_unit, more = _UNITS[behind.upper()]
        if unit and unit != own_unit:
            raise FrameError(f"The function is in {unit}, the number in {own_unit}.", frame=frame)
        unit, flags = own_unit, flags | more
    value = float(f"{sign}{whole}.{fraction or '0'}e{exponent or 0}")
    if abs(value) >= _OVERLOAD:
        return Reading(None, unit, flags=flags | Flag.OVERLOAD, text=text)
    resolution = float(f"1e{int(exponent or 0) - len(fraction or '')}")
    return Reading(value, unit, flags=flags, resolution=resolution, text=text)
