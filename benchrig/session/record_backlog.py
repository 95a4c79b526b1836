"""Writing the record of a soak although the disk is full or the file is locked for a while: nothing is given up early.

Rules it keeps:
1. What cannot be written now waits in memory, in order, and is written as soon as the store takes it again.
2. What waits is bounded; when that is full, the oldest goes, and how much went is written into the record afterwards.
3. The trouble and its end are told once each.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from ..clock import Clock
from ..records.facts import StoreError

MOST = 50_000  # writes that may wait: some hours of a usual soak
AGAIN = 2.0  # s between tries while it does not go

Write = Callable[[], object]


class Keeping:
    """Writes in order, now or later. `tell(words, ok)` hears of trouble and of its end."""

    def __init__(self, clock: Clock, tell: Callable[[str, bool], None]) -> None:
        self._clock = clock
        self._tell = tell
        self._waiting: deque[Write] = deque()
        self._trouble = ""
        self._again = 0.0
        self.dropped = 0

    @property
    def trouble(self) -> str:
        """Why nothing can be written; empty while all is well."""
        return self._trouble

    def do(self, write: Write) -> None:
        """Write, now if that goes."""
        if len(self._waiting) >= MOST:
            self._waiting.popleft()
            self.dropped += 1
        self._waiting.append(write)
        self.flush()

    def flush(self) -> None:
        """Write what waits, as far as that goes."""
        if self._trouble and self._clock.now() < self._again:
            return
        try:
            while self._waiting:
                self._waiting[0]()
                self._waiting.popleft()
        except StoreError as error:
            self._failed(error)
            return
        if self._trouble:
            self._trouble = ""
            self._tell(f"The record is written again; {self.dropped} writes were lost.", True)

    def _failed(self, error: StoreError) -> None:
        self._again = self._clock.now() + AGAIN
        if not self._trouble:
            self._trouble = error.message
            self._tell(f"The record cannot be written; readings wait in memory. {error}", False)
