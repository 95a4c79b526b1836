"""A connected TCP socket for message transports: exactly so many bytes, or the reason why not."""

from __future__ import annotations

import contextlib
import select
import socket

from ..clock import Clock
from ..errors import LinkLost, LinkTimeout
from .ports import cannot_open
from .streams import keep_alive

OPEN_TIMEOUT = 3.0  # seconds; a bench instrument on the same network answers in milliseconds
_CURE = "Check cable and power, and that no other program has the instrument."


class Wire:
    """One connection. Raises LinkError with the cure where there is none."""

    def __init__(self, address: str, clock: Clock, host: str, port: int) -> None:
        self.address = address
        self._clock = clock
        try:
            self._socket = socket.create_connection((host, port), OPEN_TIMEOUT)
        except OSError as error:
            raise cannot_open(address, error) from error
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        keep_alive(self._socket)
        self._socket.setblocking(False)
        self._held = bytearray()

    def send(self, data: bytes, seconds: float = 5.0) -> None:
        rest = memoryview(data)
        try:
            while rest:
                try:
                    rest = rest[self._socket.send(rest) :]
                except BlockingIOError:
                    if not select.select([], [self._socket], [], seconds)[1]:
                        raise TimeoutError("it does not take what is sent") from None
        except (OSError, ValueError) as error:  # a part may have gone out: nothing after it would be understood
            raise self.lost(str(error)) from error

    def exactly(self, count: int, deadline: float) -> bytes:
        """The next `count` bytes. Raises LinkTimeout with nothing taken, or LinkLost."""
        while len(self._held) < count:
            left = deadline - self._clock.now()
            try:
                data = self._take(left, max(65536, count - len(self._held)))
            except TimeoutError:
                self._clock.sleep_until(deadline)
                raise LinkTimeout(
                    f"{self.address}: nothing came in time.", address=self.address, doing="read"
                ) from None
            except (OSError, ValueError) as error:
                raise self.lost(str(error)) from error
            if not data:
                raise self.lost("the far end has closed it")
            self._held += data
        found = bytes(self._held[:count])
        del self._held[:count]
        return found

    def _take(self, left: float, most: int) -> bytes:
        """What is there, or comes in time. Raises TimeoutError."""
        if not select.select([self._socket], [], [], max(left, 0.0))[0]:
            raise TimeoutError
        return self._socket.recv(most)

    def lost(self, why: str) -> LinkLost:
        self.close()
        return LinkLost(f"{self.address}: the link is lost ({why}).", address=self.address, next_step=_CURE)

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._socket.close()
