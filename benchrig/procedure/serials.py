"""Serial numbers of units: which may be given, and one that fits a procedure's pattern where no plate can be read."""

from __future__ import annotations

import re

from ..errors import FileError

SAFE = r"[A-Za-z0-9][A-Za-z0-9 ._/+#-]{0,62}[A-Za-z0-9._+#]|[A-Za-z0-9]"  # it stands in records, phrases and messages


def check(serial: str, pattern: str, unit: str) -> None:
    """Raises FileError for a serial number that is no plain text of up to 64 characters, or does not fit `pattern`.

    None at all is taken where no pattern asks for one.
    """
    if serial and not re.fullmatch(SAFE, serial):
        raise FileError(
            f"{serial!r} is no serial number: letters, digits and . _ / + # - are, with spaces between, up to 64.",
            next_step="Give the number on the unit's plate, with --serial.",
        )
    if pattern and not re.fullmatch(pattern, serial):
        what = f"Serial number {serial!r} does not fit {unit}" if serial else "Which unit is it? None is given"
        raise FileError(f"{what} (pattern {pattern}).", next_step="Give the number on its plate, with --serial.")


def sample(pattern: str) -> str:
    """A serial number for `pattern`; "" for none. Raises FileError where the pattern is not made of text and classes.

    >>> sample("SK14-[0-9]{4}")
    'SK14-0001'
    """
    made = re.sub(r"\[0-9\]\{(\d+)\}|\\d\{(\d+)\}", lambda m: "1".rjust(int(m[1] or m[2]), "0"), pattern)
    if pattern and not re.fullmatch(pattern, made):
        raise FileError(f"No serial number can be made up for the pattern {pattern}.", next_step="Give one: --serial")
    return made
