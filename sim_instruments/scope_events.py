"""The event queue that the curve family has instead of SYSTem:ERRor.

Rules kept (TDS1000/2000 and DPO4000 programmer manuals): an event can be read only after the `*ESR?` that came after
it; that `*ESR?` throws away what the one before had released; numbers are those of SCPI without the minus sign.
"""

from __future__ import annotations

from .scpi_errors import ScpiError

_EMPTY = (0, "No events to report - queue empty")
_PENDING = (1, "No events to report - new events pending *ESR?")
_DEPTH = 33
_OVERFLOW = (350, "Queue overflow")


class EventQueue:
    """Events that wait for `*ESR?`, and those released by it."""

    def __init__(self) -> None:
        self._pending: list[tuple[int, str]] = []
        self._released: list[tuple[int, str]] = []

    def push(self, error: ScpiError) -> None:
        if len(self._pending) < _DEPTH:
            self._pending.append((abs(error.number), error.text.strip('"')))
        else:
            self._pending[-1] = _OVERFLOW

    def release(self) -> None:
        """`*ESR?` was read."""
        self._released, self._pending = self._pending, []

    def clear(self) -> None:
        self._pending, self._released = [], []

    def pop(self) -> tuple[int, str]:
        """The oldest released event, or the two ways of saying that there is none."""
        if self._released:
            return self._released.pop(0)
        return _PENDING if self._pending else _EMPTY

    def all(self) -> list[tuple[int, str]]:
        """Every released event, removed."""
        events, self._released = self._released, []
        return events or [self.pop()]

    def __len__(self) -> int:
        return len(self._released)
