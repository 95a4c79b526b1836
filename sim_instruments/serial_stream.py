"""A handheld that talks by itself: one frame per conversion, at the pace of its clock, heard or not.

Rules kept: what nobody reads piles up as in a port's buffer and then is lost; bytes from the host are ignored; a frozen
or dark meter is silent, which on such a link looks like everything else that is silent.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from benchrig.clock import Clock

from .serial_handheld import Handheld, Handset
from .serial_panel import SerialPanel

_BUFFER = 4096  # bytes, of the host's port


class FrameMeter(Handset):
    """A `Double` around a `Handheld`.

    interval  seconds from one conversion to the next
    wire      seconds that one frame takes on the wire
    copies    times each frame is sent
    """

    plugged = True

    def __init__(
        self,
        clock: Clock,
        meter: Handheld,
        encode: Callable[[SerialPanel], bytes],
        *,
        interval: float,
        wire: float,
        copies: int = 1,
    ) -> None:
        self._clock = clock
        self.meter = meter
        self._encode = encode
        self.interval = interval
        self._wire = wire * copies
        self._copies = copies
        self._out: deque[bytes] = deque()
        self._next = clock.now() + interval
        self.frozen = False

    def freeze(self, on: bool = True) -> None:
        """Silent while on, as with a lifted optical head or a sleeping meter."""
        self.take()
        self.frozen = on

    def reset(self) -> None:
        """A brown-out: what the keys had set is lost, what the knob says stays, and a second of silence."""
        self._out.clear()
        self.meter.reset()
        self._next = self._clock.now() + 1.0

    def receive(self, data: bytes) -> None:
        """Talks only."""

    def due(self) -> float | None:
        if self._out:
            return self._clock.now()
        return None if self.frozen else self._next + self._wire

    def take(self) -> bytes:
        now = self._clock.now()
        while self._next + self._wire <= now:
            self._convert()
        ready = b"".join(self._out)
        self._out.clear()
        return ready

    def _convert(self) -> None:
        end, self._next = self._next, self._next + self.interval
        waiting = sum(map(len, self._out))
        if self.frozen or waiting > _BUFFER:
            self._skip()
            return
        panel = self.meter.convert(end - 0.9 * self.interval, end)
        self._out.append(self._encode(panel) * self._copies)

    def _skip(self) -> None:
        """Pass over what nobody can hear, at once."""
        missed = int((self._clock.now() - self._wire - self._next) / self.interval)
        self._next += max(0, missed) * self.interval


def odd_parity(data: bytes) -> bytes:
    """Seven-bit characters with odd parity as bit 7: what a port set to eight bits without parity sees."""
    return bytes(b | (0x80 if b.bit_count() % 2 == 0 else 0) for b in data)
