"""What is known of an instrument's panel: when it was looked at, what was found, and since when every look was clean.

A driver that has to ask keeps one of these. Each reading goes through `mark`: it carries what the last look has found,
or is PROVISIONAL until a look behind it, or says since when every look was clean.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from benchrig.clock import Clock
from benchrig.readings import Flag, Reading

EVERY = 1.0  # seconds between looks


class Panel:
    """Looks at a panel by `ask`, which says what there makes a number another one than it seems."""

    def __init__(self, clock: Clock, ask: Callable[[], Flag]) -> None:
        self._clock = clock
        self._ask = ask
        self._found = Flag.NONE
        self._looked_at: float | None = None
        self._clean_since: float | None = None

    def look(self) -> Flag:
        """Ask now. A look that follows an unclean one, or none, says nothing of what was before it."""
        began = self._clock.now()
        before, self._clean_since, self._looked_at = self._clean_since, None, None
        self._found = self._ask()
        self._looked_at = began
        if self._found is Flag.NONE:
            self._clean_since = began if before is None else before
        return self._found

    def forget(self) -> None:
        """It is set up anew: the next reading makes the look."""
        self._looked_at = self._clean_since = None

    def mark(self, reading: Reading, began: float) -> Reading:
        """`reading`, whose measurement began at `began`, with what is known of the panel; looks if it is time."""
        looked = self._looked_at is None or self._clock.now() - self._looked_at >= EVERY
        if looked:
            self.look()
        if self._found is not Flag.NONE:
            return replace(reading, flags=reading.flags | self._found)
        if looked and self._clean_since is not None and self._clean_since <= began:
            return replace(reading, clean_since=self._clean_since)
        return replace(reading, flags=reading.flags | Flag.PROVISIONAL)
