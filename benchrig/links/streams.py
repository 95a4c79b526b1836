"""Byte streams over a connected socket and over an open serial port.

Rules of this module:
1. End of stream is LinkLost at once, silence is b"" at the deadline; the two are never mixed up.
2. A read looks a few times and then waits in `select`, so it uses next to no processor time while it waits.
3. After LinkLost every further call raises LinkLost: the port must be opened again.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
from collections.abc import Callable
from typing import Any

from ..clock import Clock
from ..errors import LinkLost, LinkTimeout

CHUNK = 65536  # bytes a read can give; below the size from which malloc maps and unmaps memory for each call
WRITE_TIMEOUT = 5.0  # seconds for the far end to take what we send
# Being put to sleep and woken costs more than a fast instrument's whole answer takes; these looks last some 15 us.
_LOOKS = 10
_give_way: Callable[[], None] = getattr(os, "sched_yield", lambda: None)


class _Stream:
    """What sockets and serial ports have in common: a descriptor that can be waited on."""

    CURE = "Check cable and power."

    def __init__(self, address: str, clock: Clock, descriptor: int, close: Callable[[], None]) -> None:
        self._address = address
        self._clock = clock
        self._descriptor = descriptor
        self._close = close
        self._gone = ""

    @property
    def address(self) -> str:
        return self._address

    def read(self, deadline: float) -> bytes:
        self._check("read")
        left = deadline - self._clock.now()
        try:
            ready = self._ready(left) if left > 0 else self._looks(1)
            if ready:
                data = self._take()
        except (OSError, ValueError) as error:
            raise self._lost("read", str(error)) from error
        if not ready:
            # Real time has passed already; a clock that only moves when somebody sleeps must move too.
            self._clock.sleep_until(deadline)
            return b""
        if data is None:
            return b""
        if not data:
            raise self._lost("read", "the far end has closed it")
        return data

    def _looks(self, times: int) -> bool:
        """Whether something has come, looked at without waiting but giving way to others in between."""
        for _ in range(times - 1):
            if select.select([self._descriptor], [], [], 0)[0]:
                return True
            _give_way()
        return bool(select.select([self._descriptor], [], [], 0)[0])

    def _ready(self, left: float) -> bool:
        return self._looks(_LOOKS) or bool(select.select([self._descriptor], [], [], left)[0])

    def write(self, data: bytes) -> None:
        self._check("write")
        rest = memoryview(data)
        try:
            while rest:
                rest = rest[self._send(rest) :]
                if rest and not select.select([], [self._descriptor], [], WRITE_TIMEOUT)[1]:
                    raise LinkTimeout(
                        f"{self._address}: the instrument does not take what is sent.",
                        address=self._address,
                        doing="write",
                        next_step="Check flow control and that the instrument is not hung.",
                    )
        except (OSError, ValueError) as error:
            raise self._lost("write", str(error)) from error

    def close(self) -> None:
        self._gone = self._gone or "closed"
        with contextlib.suppress(Exception):  # a port that is gone may raise anything, and there is nothing to save
            self._close()

    def _take(self) -> bytes | None:
        """What is there; b"" at the end of the stream, None where there was nothing after all."""
        raise NotImplementedError

    def _send(self, data: memoryview) -> int:
        """Send without waiting; how much was taken."""
        raise NotImplementedError

    def _check(self, doing: str) -> None:
        if self._gone:
            raise self._lost(doing, self._gone)

    def _lost(self, doing: str, why: str) -> LinkLost:
        self._gone = why
        return LinkLost(
            f"{self._address}: the link is lost ({why}).",
            address=self._address,
            doing=doing,
            next_step=self.CURE,
        )


class SocketLink(_Stream):
    """A connected TCP socket. `close` lets go of whatever opened it."""

    CURE = (
        "Check cable and power, and that no other program has the instrument: some take one client only and hold on to "
        "a dead connection for a while."
    )

    def __init__(self, address: str, clock: Clock, sock: socket.socket, close: Callable[[], None]) -> None:
        super().__init__(address, clock, sock.fileno(), close)
        self._sock = sock
        sock.setblocking(False)
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        keep_alive(sock)

    def _take(self) -> bytes | None:
        try:
            return self._sock.recv(CHUNK)
        except BlockingIOError:
            return None

    def _send(self, data: memoryview) -> int:
        try:
            return self._sock.send(data)
        except BlockingIOError:
            return 0


def keep_alive(sock: socket.socket) -> None:
    """Notice a pulled network cable within half a minute even if nobody asks anything."""
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for name, value in (("TCP_KEEPIDLE", 10), ("TCP_KEEPINTVL", 5), ("TCP_KEEPCNT", 4)):
        if hasattr(socket, name):
            sock.setsockopt(socket.IPPROTO_TCP, getattr(socket, name), value)


class SerialLink(_Stream):
    """An open pyserial port (a POSIX one: it has a descriptor). Bytes that came before are thrown away."""

    def __init__(self, address: str, clock: Clock, port: Any, close: Callable[[], None]) -> None:
        super().__init__(address, clock, port.fileno(), close)
        self._port = port
        os.set_blocking(self._descriptor, False)
        try:
            port.reset_input_buffer()
        except Exception as error:  # termios.error is no OSError
            raise self._lost("open", str(error)) from error

    def _take(self) -> bytes | None:
        # An unplugged USB adapter is "ready" and gives b""; a hung-up pseudo-terminal raises EIO.
        try:
            return os.read(self._descriptor, CHUNK)
        except BlockingIOError:
            return None

    def _send(self, data: memoryview) -> int:
        try:
            return os.write(self._descriptor, data)
        except BlockingIOError:
            return 0
