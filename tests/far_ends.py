"""Far ends of real links for tests: a TCP server and the master side of a pseudo-terminal, each scripted by a function.

`answer(line)` gets each line the client sends, without its end, and returns bytes to send, None for silence, or
`HANG_UP`. Bytes may also be pushed at any time. No sleeps: tests wait for bytes, or for an end of stream.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
import tty
from collections.abc import Callable, Iterator

HANG_UP = b"\x00hang up\x00"
Answer = Callable[[bytes], bytes | None]


class TcpEnd:
    """A server on a loopback port; one client at a time, any number after each other."""

    def __init__(self, answer: Answer, port: int = 0, host: str = "127.0.0.1") -> None:
        self._answer = answer
        self._server = socket.create_server((host, port))
        self.port: int = self._server.getsockname()[1]
        self.address = f"TCPIP::{host}::{self.port}::SOCKET"
        self.received: list[bytes] = []
        self.connections = 0
        self._client: socket.socket | None = None
        self._there = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def push(self, data: bytes) -> None:
        assert self._there.wait(5)
        assert self._client is not None
        self._client.sendall(data)

    def hang_up(self) -> None:
        if self._client is not None:
            with contextlib.suppress(OSError):
                self._client.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self.hang_up()
        self._thread.join(5)
        self._server.close()

    def _serve(self) -> None:
        while True:
            try:
                client, _ = self._server.accept()
            except OSError:
                return
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._client = client
            self._there.set()
            self.connections += 1
            with client, contextlib.suppress(OSError):
                self._talk(client)
            self._there.clear()

    def _talk(self, client: socket.socket) -> None:
        kept = b""
        while data := client.recv(65536):
            *lines, kept = (kept + data).split(b"\n")
            for line in lines:
                self.received.append(line)
                reply = self._answer(line.strip())
                if reply == HANG_UP:
                    return
                if reply:
                    client.sendall(reply)


@contextlib.contextmanager
def tcp_end(answer: Answer, port: int = 0, host: str = "127.0.0.1") -> Iterator[TcpEnd]:
    end = TcpEnd(answer, port, host)
    try:
        yield end
    finally:
        end.close()


class PtyEnd:
    """The far side of a serial line."""

    def __init__(self, answer: Answer = lambda line: None) -> None:
        self._answer = answer
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)
        self._stop_read, self._stop_write = os.pipe()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()
        self._unplugged = False

    def push(self, data: bytes) -> None:
        os.write(self.master, data)

    def unplug(self) -> None:
        """The adapter is pulled: whoever has the port open gets an error."""
        if self._unplugged:
            return
        self._unplugged = True
        os.write(self._stop_write, b"x")
        self._thread.join(5)
        for descriptor in (self._slave, self.master, self._stop_read, self._stop_write):
            os.close(descriptor)

    def _serve(self) -> None:
        kept = b""
        while True:
            ready, _, _ = select.select([self.master, self._stop_read], [], [])
            if self._stop_read in ready:
                return
            *lines, kept = (kept + os.read(self.master, 65536)).split(b"\n")
            for line in lines:
                if reply := self._answer(line.strip()):
                    os.write(self.master, reply)


@contextlib.contextmanager
def pty_end(answer: Answer = lambda line: None) -> Iterator[PtyEnd]:
    end = PtyEnd(answer)
    try:
        yield end
    finally:
        end.unplug()
