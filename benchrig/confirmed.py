"""Which readings count: those between two looks at an instrument's panel that were both clean.

A key on a panel (a stored offset, a range, another function) changes what a number means, and an instrument does not
send word of it. A driver that has to ask looks now and then; what it reads meanwhile is PROVISIONAL: it is shown, led
by and held against every ceiling at once, but nothing is concluded from it before a look behind it was clean.
"""

from __future__ import annotations

from dataclasses import replace

from .readings import Flag, Reading


class Confirmed:
    """Holds provisional readings of one source back until they are known to be what they look like."""

    def __init__(self) -> None:
        self._held: list[Reading] = []
        self.dropped = 0  # readings that never came to count

    @property
    def waiting(self) -> bool:
        """Readings are held back."""
        return bool(self._held)

    def add(self, reading: Reading) -> list[Reading]:
        """The readings that count now, in order: none while they are provisional, all since the last look after a clean
        one. A reading with another flag that makes it unusable is handed on as it is, and what was held with it goes.
        """
        if reading.flags & Flag.PROVISIONAL:
            self._held.append(reading)
            return []
        held, self._held = self._held, []
        if not reading.usable:
            self.dropped += len(held) + 1
            return [reading]
        if reading.clean_since is None:
            self.dropped += len(held)
            return [reading]
        sure = [it for it in held if it.time - it.aperture >= reading.clean_since]
        self.dropped += len(held) - len(sure)
        return [*(replace(it, flags=it.flags & ~Flag.PROVISIONAL) for it in sure), reading]

    def forget(self) -> None:
        """The source was lost or set up anew: what was held will never be known."""
        self.dropped += len(self._held)
        self._held.clear()
