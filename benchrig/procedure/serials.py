"""A serial number that fits a procedure's pattern, for rehearsals and tests where no plate can be read."""

from __future__ import annotations

import re

from ..errors import FileError


def sample(pattern: str) -> str:
    """A serial number for `pattern`; "" for none. Raises FileError where the pattern is not made of text and classes.

    >>> sample("SK14-[0-9]{4}")
    'SK14-0001'
    """
    made = re.sub(r"\[0-9\]\{(\d+)\}|\\d\{(\d+)\}", lambda m: "1".rjust(int(m[1] or m[2]), "0"), pattern)
    if pattern and not re.fullmatch(pattern, made):
        raise FileError(f"No serial number can be made up for the pattern {pattern}.", next_step="Give one: --serial")
    return made
