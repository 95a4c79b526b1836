"""Words on a terminal are broken where it would break them, but between words: a caution is not pieced together."""

from __future__ import annotations

import shutil
import textwrap
from typing import TextIO

LEAST = 20  # columns; on a narrower screen the terminal breaks them itself


def between_words(text: str, width: int) -> str:
    """Lines of at most `width` columns, the later ones as far in as the first. Blanks at the end stay: a prompt's.

    >>> between_words("   Brightness turned down: in place? ", 24)
    '   Brightness turned\\n   down: in place? '
    """
    body = text.rstrip(" ")
    indent = " " * (len(text) - len(text.lstrip(" ")))
    lines = textwrap.wrap(
        body, max(LEAST, width), subsequent_indent=indent, break_long_words=False, break_on_hyphens=False,
        replace_whitespace=False, drop_whitespace=True,
    )  # fmt: skip
    return "\n".join(lines) + text[len(body) :]


def for_terminal(text: str, stream: TextIO) -> str:
    """Each line of `text` for `stream`: as it is where that is no terminal."""
    if not stream.isatty():
        return text
    width = shutil.get_terminal_size().columns - 1
    return "\n".join(between_words(line, width) for line in text.split("\n"))
