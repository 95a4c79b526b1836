"""Acknowledging from beside: a small file that is left for the running watch, for where it has no terminal.

Whoever may write into the folder of the record may leave one; nothing over a network can.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from ..errors import FileError
from .types import harmless

_MOST = 10_000  # characters; a note is some fifty


def place(record: Path) -> Path:
    """Where a note for whoever writes `record` is left."""
    return record.with_name(f"{record.name}.acknowledge")


def leave(record: Path, by: str, key: str = "") -> None:
    """Acknowledge the alarm `key`, or all that are open, in the name of `by`. Raises FileError."""
    path = place(record)
    try:
        with path.open("a", encoding="utf-8") as file:
            file.write(f"{harmless(by)}\t{harmless(key)}\n")
    except OSError as error:
        raise FileError(f"{path} cannot be written: {error.strerror}.", next_step="Check the folder.") from error


def withdraw(record: Path) -> None:
    """Take back what nobody has seen, so that it does not silence another soak. Never raises."""
    with contextlib.suppress(OSError):
        place(record).unlink()


def take(record: Path) -> list[tuple[str, str]]:
    """(by, key) of every note that was left, which are then gone; key "" means all."""
    path = place(record)
    taken = path.with_name(f"{path.name}.taken")
    try:
        os.replace(path, taken)  # so that a note that is left meanwhile is not lost
        with taken.open(encoding="utf-8", errors="replace") as file:
            text = file.read(_MOST)
    except OSError:
        return []
    with contextlib.suppress(OSError):
        taken.unlink()
    whole = text.split("\n")[:-1]  # a line that is cut could lose its key, and then it would mean all
    notes = [line.partition("\t") for line in whole if line.strip()]
    return [(by, key) for by, _, key in notes]
