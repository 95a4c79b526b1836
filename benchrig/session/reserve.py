"""What the end of a job needs is held from its beginning: file descriptors, for a supply or a mail server to be reached
although something has used up all that this process may have.
"""

from __future__ import annotations

import contextlib
import os

HELD = 24  # a supply that is opened again, a record, a few callers


class Reserve:
    """Descriptors that are held until they are needed."""

    def __init__(self) -> None:
        self._held: list[int] = []

    def take(self) -> None:
        """Hold them, or as many as there are."""
        with contextlib.suppress(OSError):
            while len(self._held) < HELD:
                self._held.append(os.open(os.devnull, os.O_RDONLY))

    def release(self) -> None:
        """Let them go: the end has come, and may use them. Does nothing the second time."""
        while self._held:
            os.close(self._held.pop())
