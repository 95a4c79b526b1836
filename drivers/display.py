"""From what a display shows to a `Reading`; shared by the serial grammars.

A value is scaled once, through its decimal text, so that 37.12 nF is the double nearest to 3.712e-08 and never a
product of two roundings. One count of the display is the resolution. Where there is no number there is no resolution.
"""

from __future__ import annotations

from dataclasses import replace

from benchrig.readings import Flag, Reading

# What a handheld of any maker puts before a unit; anything else is a spoilt frame (common practice, no source).
PREFIXES = {"V": ("", "m", "u"), "A": ("", "m", "u"), "ohm": ("", "k", "M"), "F": ("", "m", "u", "n", "p"),
            "Hz": ("", "k", "M")}  # fmt: skip
EXPONENT = {"p": -12, "n": -9, "u": -6, "m": -3, "": 0, "k": 3, "M": 6}


def stands_before(prefix: str, unit: str) -> bool:
    """True if a display could show this prefix with this unit."""
    return prefix in PREFIXES.get(unit, ("",))


def number(shown: str, unit: str, flags: Flag, *, prefix: str = "") -> Reading:
    """The reading of a display that shows the decimal number `shown` (such as "-012.3") with a prefix and a unit."""
    exponent = EXPONENT[prefix]
    _, _, decimals = shown.partition(".")
    return Reading(
        value=float(f"{shown}e{exponent}"),
        unit=unit,
        flags=flags,
        resolution=float(f"1e{exponent - len(decimals)}"),
        text=_text(shown, prefix, unit),
    )


def no_number(shown: str, unit: str, flags: Flag, *, prefix: str = "") -> Reading:
    """The reading of a display that shows `shown` ("0.L") in place of a number; `flags` say why."""
    return Reading(value=None, unit=unit, flags=flags, text=_text(shown, prefix, unit))


def celsius(shown: str, flags: Flag) -> Reading:
    """A temperature shown in degrees Fahrenheit, in degC; the text keeps what was shown."""
    return Reading(
        value=(float(shown) - 32.0) / 1.8,
        unit="degC",
        flags=flags,
        resolution=float(f"1e{-len(shown.partition('.')[2])}") / 1.8,
        text=f"{shown} degF",
    )


def as_fraction(reading: Reading) -> Reading:
    """A reading in percent as the fraction that it is judged as; the text keeps what was shown. Others as they are."""
    if reading.unit != "%":
        return reading
    value, step = (None if it is None else it / 100.0 for it in (reading.value, reading.resolution))
    return replace(reading, value=value, unit="1", resolution=step)


def point_at(digits: str, decimals: int) -> str:
    """`digits` with a decimal point before the last `decimals` of them; no point for 0."""
    return f"{digits[:-decimals]}.{digits[-decimals:]}" if decimals else digits


def _text(shown: str, prefix: str, unit: str) -> str:
    return shown if unit in ("", "1") and not prefix else f"{shown} {prefix}{unit}"


class RangeSteps:
    """Marks a reading whose resolution or unit is not that of the reading before: the range has changed."""

    def __init__(self) -> None:
        self._before: tuple[str, float] | None = None

    def marked(self, reading: Reading) -> Reading:
        """`reading`, with RANGE_CHANGED where it is due. A reading without a number says nothing of its range."""
        if reading.resolution is None:
            return reading
        step, before = (reading.unit, reading.resolution), self._before
        self._before = step
        return reading if before in (None, step) else replace(reading, flags=reading.flags | Flag.RANGE_CHANGED)
