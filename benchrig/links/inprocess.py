"""A simulated instrument in this process, behind the same seam as a real one.

The link drives a double: hands it bytes, moves the clock to when it has an answer, takes the answer. On a simulated
clock everything happens in one thread and in the same order every time.
"""

from __future__ import annotations

from typing import Protocol

from ..clock import Clock
from ..errors import LinkLost

# A fault may be planned on the clock's agenda while we wait, so long waits are cut: an unplugged cable is noticed
# within this many seconds.
_STEP = 0.05


class InProcessDouble(Protocol):
    """A simulated instrument as its cable sees it."""

    plugged: bool

    def receive(self, data: bytes) -> None:
        """Bytes from the host, at `clock.now()`."""
        ...

    def due(self) -> float | None:
        """Clock time at which bytes are (or were) ready; None if nothing is planned."""
        ...

    def take(self) -> bytes:
        """All bytes ready at `clock.now()`."""
        ...


class InProcessWorld(Protocol):
    """What holds the doubles of one simulated bench."""

    def double(self, name: str) -> InProcessDouble:
        """The double called `name`; LookupError if there is none."""
        ...


class InProcessLink:
    """A link to a double."""

    def __init__(self, address: str, clock: Clock, double: InProcessDouble) -> None:
        self._address = address
        self._clock = clock
        self._double = double
        self._closed = False
        self._check("open")
        double.take()  # what it sent before we listened

    @property
    def address(self) -> str:
        return self._address

    def write(self, data: bytes) -> None:
        self._check("write")
        self._double.receive(data)

    def read(self, deadline: float) -> bytes:
        while True:
            self._check("read")
            if data := self._double.take():
                return data
            now = self._clock.now()
            if now >= deadline:
                return b""
            due = self._double.due()
            soonest = min(deadline, now + _STEP)
            self._clock.sleep_until(soonest if due is None else min(soonest, max(due, now)))
            if due is not None and due <= now:
                self._clock.sleep_until(soonest)  # it said "now" and gave nothing: do not spin

    def close(self) -> None:
        self._closed = True

    def _check(self, doing: str) -> None:
        if self._closed or not self._double.plugged:
            self._closed = True
            raise LinkLost(
                f"{self._address}: the simulated cable is out.",
                address=self._address,
                doing=doing,
                next_step="Plug it in again.",
            )
