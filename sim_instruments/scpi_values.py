"""Parameters and answers of SCPI: numbers with units, words, booleans, strings, lists, blocks.

Rules kept (SCPI-1999 volume 1, chapter 7; IEEE 488.2 chapters 7 and 8): any number form is read, one fixed form is
written; a multiplier M is milli except in MOHM and MHZ; a number where an integer is due is rounded; a boolean is
answered as 0 or 1; a word has exactly a long and a short spelling.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .scpi_errors import ScpiError

OVERLOAD = 9.9e37
NOT_A_NUMBER = 9.91e37
_MULTIPLIERS = {
    "EX": 1e18, "PE": 1e15, "T": 1e12, "G": 1e9, "MA": 1e6, "K": 1e3, "M": 1e-3, "U": 1e-6, "N": 1e-9,
    "P": 1e-12, "F": 1e-15, "A": 1e-18,
}  # fmt: skip
_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:\s*[eE]\s*[+-]?\d+)?)\s*([A-Za-z%/]*)")
_BASES = {"H": 16, "Q": 8, "B": 2}


def _suffix(text: str, unit: str) -> float:
    suffix, unit = text.upper(), unit.upper()
    if suffix in ("", unit):
        return 1.0
    if not unit:
        raise ScpiError(-138)
    if suffix in ("MHZ", "MOHM") and suffix.endswith(unit):
        return 1e6
    prefix = suffix.removesuffix(unit)
    if prefix not in _MULTIPLIERS:
        raise ScpiError(-134 if len(suffix) > 12 else -131)
    return _MULTIPLIERS[prefix]


def _based(text: str) -> float:
    try:
        return float(int(text[2:], _BASES[text[1:2].upper()]))
    except (KeyError, ValueError, OverflowError):
        raise ScpiError(-120 if text[1:2].isalpha() else -168) from None


def number(text: str, unit: str = "") -> float:
    """A decimal or #H #Q #B number, with multiplier and unit where the parameter has one."""
    if text[:1] == "#":
        return _based(text)
    if text[:1] in ("'", '"'):
        raise ScpiError(-158)
    if text[:1] == "(":
        raise ScpiError(-178)
    match = _NUMBER.fullmatch(text)
    if not match:
        raise ScpiError(-121 if text[:1] in "+-.0123456789" else -141)
    digits, suffix = match.groups()
    mantissa, _, exponent = re.sub(r"\s", "", digits).upper().partition("E")
    if len(mantissa) > 255:
        raise ScpiError(-124)
    if len(exponent) > 6 or abs(int(exponent or 0)) > 32000:
        raise ScpiError(-123)
    return float(f"{mantissa}E{exponent or 0}") * _suffix(suffix, unit)


def matches(word: str, text: str) -> bool:
    """True if `text` is the long or the short spelling of `word`, written like `POSitive`."""
    return text.upper() in (word.upper(), short(word))


def short(word: str) -> str:
    """The short spelling: the capitals and digits of a table word."""
    return "".join(c for c in word if not c.islower())


@dataclass(frozen=True, slots=True)
class Numeric:
    """A numeric parameter: its limits, its default, its unit, and the values it may have if they are few."""

    low: float
    high: float
    default: float
    unit: str = ""
    steps: tuple[float, ...] = ()  # ascending: the next larger one is taken
    whole: bool = False

    def read(self, text: str) -> float:
        """The value meant. Raises ScpiError -222 outside the limits, and -12x to -17x for what is no number."""
        for word, value in (("MINimum", self.low), ("MAXimum", self.high), ("DEFault", self.default)):
            if matches(word, text):
                return value
        if matches("INFinity", text) or matches("NINFinity", text) or matches("NAN", text):
            raise ScpiError(-222)
        value = number(text, self.unit)
        if not self.low * (1 - 1e-9 * math.copysign(1, self.low)) <= value <= self.high * (1 + 1e-9):
            raise ScpiError(-222)
        value = float(round(value)) if self.whole else value
        return next((step for step in self.steps if step >= value * (1 - 1e-9)), value)

    def limit(self, args: tuple[str, ...]) -> float | None:
        """The limit asked for by `<query>? MIN|MAX|DEF`; None for a plain query."""
        if not args:
            return None
        for word, value in (("MINimum", self.low), ("MAXimum", self.high), ("DEFault", self.default)):
            if matches(word, args[0]):
                return value
        raise ScpiError(-224 if args[0][:1].isalpha() else -128)


@dataclass(frozen=True, slots=True)
class WordValue:
    """A word out of a few, each written like `POSitive`."""

    words: tuple[str, ...]

    def read(self, text: str) -> str:
        """The short spelling of the word meant."""
        if text[:1] in ("'", '"'):
            raise ScpiError(-158)
        for word in self.words:
            if matches(word, text):
                return short(word)
        raise ScpiError(-224 if text[:1].isalpha() else -128)


def boolean(text: str) -> bool:
    """ON, OFF, or a number: rounded, and not 0 is ON."""
    if text.upper() in ("ON", "OFF"):
        return text.upper() == "ON"
    if text[:1].isalpha():
        raise ScpiError(-224)
    value = number(text)
    return math.isinf(value) or round(value) != 0


def string(text: str) -> str:
    """The content of a quoted string; doubled quotes are single ones."""
    quote = text[:1]
    if quote not in ("'", '"') or not quote:
        raise ScpiError(-104)
    inner = text[1:-1]
    if len(text) < 2 or text[-1] != quote or quote in inner.replace(quote * 2, ""):
        raise ScpiError(-151)
    return inner.replace(quote * 2, quote)


def nr3(value: float, decimals: int = 8) -> str:
    """`+1.23456789E+00`: signed, fixed decimals, at least two digits of exponent."""
    return f"{value:+.{decimals}E}"


def block(payload: bytes | NDArray[np.generic], digits: int | None = None) -> bytes:
    """`#<n><length><payload>`; `digits` is n, or as few as needed. One copy of the payload is made."""
    view = payload if isinstance(payload, bytes) else np.ascontiguousarray(payload).data
    size = len(payload) if isinstance(payload, bytes) else payload.nbytes
    length = str(size).zfill(digits or 0)
    return b"".join((f"#{len(length)}{length}".encode(), view))
