"""Quantities as a technician writes them, and nothing else.

A closed list of units, a strict grammar, exact letter case. "3,3 V" and "4k7" are refused with the reason,
because a wrong value at a bench is worse than a question.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from .errors import UnitError

# unit as written -> (base unit, factor to it, may carry a prefix)
UNITS: dict[str, tuple[str, float, bool]] = {
    "V": ("V", 1.0, True),
    "A": ("A", 1.0, True),
    "ohm": ("ohm", 1.0, True),
    "Ω": ("ohm", 1.0, True),
    "F": ("F", 1.0, True),
    "H": ("H", 1.0, True),
    "W": ("W", 1.0, True),
    "Hz": ("Hz", 1.0, True),
    "s": ("s", 1.0, True),
    "min": ("s", 60.0, False),
    "h": ("s", 3600.0, False),
    "mm": ("m", 1e-3, False),
    "cm": ("m", 1e-2, False),
    "m": ("m", 1.0, False),
    "%": ("1", 1e-2, False),
    "ppm": ("1", 1e-6, False),
    "1": ("1", 1.0, False),
    "degC": ("degC", 1.0, False),
    "deg": ("deg", 1.0, False),
    "turn": ("deg", 360.0, False),
    "turns": ("deg", 360.0, False),
    "count": ("count", 1.0, False),
    "counts": ("count", 1.0, False),
    "V/div": ("V/div", 1.0, True),
    "s/div": ("s/div", 1.0, True),
    "Sa/s": ("Sa/s", 1.0, True),
}
PREFIXES: dict[str, float] = {
    "p": 1e-12, "n": 1e-9, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6, "G": 1e9,
}  # fmt: skip
DASHES = "\u2010\u2011\u2012\u2013\u2014\u2212"  # what word processors make of a minus (Unicode's dashes, minus sign)
_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d+)?|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_SHOWN = ((1e9, "G"), (1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "u"), (1e-9, "n"), (1e-12, "p"))


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value in the base unit, and that unit: `Quantity(9400.0, "V")` is 9.40 kV."""

    value: float
    unit: str

    def __float__(self) -> float:
        return self.value

    def __str__(self) -> str:
        return show(self.value, self.unit)


def _unit(text: str, whole: str) -> tuple[str, float]:
    if text in UNITS:
        base, factor, _ = UNITS[text]
        return base, factor
    prefix, name = text[:1], text[1:]
    if name in UNITS and UNITS[name][2] and prefix in PREFIXES:
        base, factor, _ = UNITS[name]
        return base, factor * PREFIXES[prefix]
    raise UnitError(f"{whole!r}: unit {text!r} is not known.", next_step=_near(text))


def _near(text: str) -> str:
    """A cure: what differs in letter case only, or all that is known."""
    spelt = [prefix + name for name, (_, _, takes) in UNITS.items() for prefix in (PREFIXES if takes else ("",))]
    found = [repr(it) for it in spelt if it.lower() == text.lower()]
    return (
        f"Did you mean {' or '.join(found)}?" if found else f"Known units: {' '.join(UNITS)}; prefixes p n u m k M G."
    )


def quantity(text: str) -> Quantity:
    """Read "9.40 kV" as `Quantity(9400.0, "V")`.

    One number with a decimal point, one space or none, one unit of `UNITS`, with a prefix where the unit takes one.
    A bare number has the unit "1". Raises `UnitError` for anything else.

    >>> quantity("9.40 kV")
    Quantity(value=9400.0, unit='V')
    >>> quantity("20 %")
    Quantity(value=0.2, unit='1')
    """
    stripped = text.strip()
    match = _NUMBER.match(stripped)
    if not match:
        dash = stripped[:1] in DASHES
        cure = "Type the minus again, with the hyphen key." if dash else 'Write it like "9.40 kV".'
        raise UnitError(f"{text!r} does not start with a number.", next_step=cure)
    number, rest = match.group(), stripped[match.end() :]
    if rest[:1].isspace() and rest[0] != " ":
        raise UnitError(f"{text!r} has a space that no space bar types.", next_step="Type the space again.")
    if rest[:1] in {",", "'"}:
        raise UnitError(f"{text!r}: write a decimal point, and no thousands mark.", next_step='Like "3.3 V".')
    name = rest.removeprefix(" ")
    if name != name.strip() or any(c.isdigit() for c in name):
        raise UnitError(f"{text!r} is not one number and one unit.", next_step='Write "4.7 kohm", not "4k7".')
    base, factor = _unit(name, text) if name else ("1", 1.0)
    value = _scaled(number, factor)
    if not math.isfinite(value):
        raise UnitError(f"{text!r} is too large.", next_step="Check the exponent.")
    return Quantity(value, base)


def _scaled(number: str, factor: float) -> float:
    """The product rounded once: 5.8 kV is 5800.0, not 5799.999."""
    if factor >= 1.0:
        return float(number) * factor
    inverse = round(1.0 / factor)
    return float(number) / inverse if math.isclose(inverse * factor, 1.0, rel_tol=1e-12) else float(number) * factor


def quantity_in(text: str, unit: str) -> float:
    """The value of `text` in base unit `unit`; `UnitError` if it measures something else."""
    found = quantity(text)
    if found.unit != unit:
        has = "has no unit" if text.rstrip()[-1:].isdigit() else f"is in {found.unit}"
        raise UnitError(f"{text!r} {has}, but {unit} is needed.", next_step=f"Give it in {unit}.")
    return found.value


def show(value: float, unit: str, *, resolution: float | None = None, digits: int = 4) -> str:
    """Write a value for people: "9.400 kV".

    With `resolution` (in the base unit) as many decimals as it has; otherwise `digits` significant figures.
    """
    if unit == "1":
        return f"{value:.{digits}g}"
    if not math.isfinite(value):
        return f"{value} {unit}"
    scale, prefix = _shown_scale(max(abs(value), abs(resolution or 0.0)), unit)
    scaled = value / scale
    if resolution:
        decimals = max(0, -math.floor(math.log10(resolution / scale * 1.0000001)))
    else:
        decimals = max(0, digits - 1 - (math.floor(math.log10(abs(scaled))) if scaled else 0))
    text = f"{scaled:.{min(decimals, 9)}f}"
    return f"{text.replace('-0', '0', 1) if not float(text) and text.startswith('-') else text} {prefix}{unit}"


def show_window(low: float | None, high: float | None, unit: str) -> str:
    """A window for people, either side open: "9.250 kV to 9.550 kV", "at least 3.000 V"; empty for none."""
    if low is not None and high is not None:
        return f"{show(low, unit)} to {show(high, unit)}"
    if low is not None:
        return f"at least {show(low, unit)}"
    return "" if high is None else f"at most {show(high, unit)}"


def _shown_scale(size: float, unit: str) -> tuple[float, str]:
    if unit == "m":
        return 1e-3, "m"
    if unit not in UNITS or not UNITS[unit][2] or size == 0.0:
        return 1.0, ""
    return next(((s, p) for s, p in _SHOWN if size >= s * 0.9999999), _SHOWN[-1])


def clock_words(seconds: float) -> str:
    """A length of time as on a stop-watch, h:mm:ss, to the nearest second.

    >>> clock_words(8045.3)
    '2:14:05'
    """
    whole = max(0, round(seconds))
    return f"{whole // 3600}:{whole // 60 % 60:02}:{whole % 60:02}"
