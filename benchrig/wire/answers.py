"""What stands in a SCPI answer line: numbers and what only looks like one, quoted strings, errors, identity.

Pure. Sources: SCPI-1999 vol. 1 ch. 7 (numbers, infinity, not-a-number) and ch. 21 (error queue); IEEE 488.2 for
`*IDN?`, as restated in programmer's guides.
"""

from __future__ import annotations

import enum
import math
import re
from dataclasses import dataclass

from ..errors import InstrumentError

# 9.9E37 is infinity and 9.91E37 not-a-number; makers spell them with more or fewer digits, so a threshold decides.
SPECIAL_FROM = 9.8e37
NOT_A_NUMBER = 9.91e37

_DECIMAL = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][ ]?[+-]?\d+)?", re.ASCII)
_ERROR = re.compile(r"\s*([+-]?\d+)\s*(?:,\s*(.*?)\s*)?$", re.DOTALL)
_PIECE = re.compile(r'"(?:[^"]|"")*"|\'(?:[^\']|\'\')*\'|.', re.DOTALL)


class Special(enum.StrEnum):
    """An answer that takes the place of a number."""

    ABOVE = "over range"
    BELOW = "under range"  # minus infinity: beyond the range on the negative side
    NONE = "not a number"


_WORDS = {
    "INF": Special.ABOVE, "+INF": Special.ABOVE, "INFINITY": Special.ABOVE, "+INFINITY": Special.ABOVE,
    "-INF": Special.BELOW, "NINF": Special.BELOW, "-INFINITY": Special.BELOW, "NINFINITY": Special.BELOW,
    "NAN": Special.NONE, "+NAN": Special.NONE, "-NAN": Special.NONE,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Number:
    """A number as answered. `value` is None exactly where `special` says why."""

    value: float | None
    special: Special | None
    text: str


def number(text: str) -> Number:
    """One NR1, NR2 or NR3 number or a special. Raises InstrumentError for anything else, units included."""
    bare = text.strip()
    if bare.upper() in _WORDS:
        return Number(None, _WORDS[bare.upper()], bare)
    if not _DECIMAL.fullmatch(bare):
        raise InstrumentError(f"{text!r} is not a number.", next_step="Check that the answer belongs to the question.")
    value = float(bare.replace(" ", ""))
    special = _special(value)
    return Number(None if special else value, special, bare)


def _special(value: float) -> Special | None:
    if abs(value) < SPECIAL_FROM:
        return None
    if math.isclose(abs(value), NOT_A_NUMBER, rel_tol=5e-4):
        return Special.NONE
    return Special.ABOVE if value > 0 else Special.BELOW


def fields(text: str, separator: str = ",") -> list[str]:
    """Split at `separator`, but never inside a quoted string. Parts are stripped of outer blanks."""
    parts = [""]
    for piece in _PIECE.findall(text):
        if piece == separator:
            parts.append("")
        else:
            parts[-1] += piece
    return [part.strip() for part in parts]


def unquoted(text: str) -> str:
    """The inside of a quoted string, doubled quotes undone; other text as it is."""
    bare = text.strip()
    if len(bare) >= 2 and bare[0] == bare[-1] and bare[0] in "\"'":
        return bare[1:-1].replace(bare[0] * 2, bare[0])
    return bare


def error_entry(text: str) -> tuple[int, str]:
    """One answer of the error queue: `-113,"Undefined header"` as (-113, "Undefined header").

    Raises InstrumentError for anything else.
    """
    match = _ERROR.fullmatch(text)
    if not match:
        raise InstrumentError(
            f"{text!r} is not an answer of the error queue.", next_step="Check that the instrument speaks SCPI."
        )
    return int(match[1]), unquoted(match[2] or "")


def identity(text: str) -> tuple[str, str, str, str]:
    """Maker, model, serial ("" where the instrument says 0), firmware, as `*IDN?` gives them.

    Further commas belong to the firmware. Raises InstrumentError for what is no identity.
    """
    parts = [unquoted(part) for part in fields(text)]
    if len(parts) < 3 or not parts[0]:
        raise InstrumentError(
            f"{text!r} is not an identity.", next_step="Check that a SCPI instrument is at this address."
        )
    maker, model, serial = parts[:3]
    return maker, model, "" if serial == "0" else serial, ",".join(parts[3:])
