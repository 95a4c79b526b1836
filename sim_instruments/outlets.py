"""Doubles behind real sockets and real pseudo-terminals, for one event loop.

Rules kept here: nothing blocks and nothing waits; a host that does not read slows its own instrument down and
nobody else's; bytes that nobody is there to hear are lost, as on a real cable; an unplugged instrument's listener
or terminal is gone, and comes back under the same address. Pseudo-terminals are a thing of POSIX systems.
"""

from __future__ import annotations

import os
import select
import selectors
import socket
import termios
import tty
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Protocol

from .faults import Cable
from .gate_hislip import HislipGate
from .gate_plusplus import PlusPlusGate
from .gate_rfc2217 import Rfc2217Gate
from .gate_vxi11 import Vxi11Gate
from .gates import Mailbox
from .interfaces import Double

_READ = 65_536  # bytes at a time from a host
_ROOM = 262_144  # bytes waiting to go out above which the double is not asked for more
_LOOK = 0.05  # seconds between looks whether somebody has opened a pseudo-terminal

Handler = Callable[[int], None]


class Watcher:
    """A selector whose entries can be set again and again."""

    def __init__(self) -> None:
        self._selector = selectors.DefaultSelector()
        self._known: dict[int, int] = {}

    def want(self, fd: int, events: int, handler: Handler) -> None:
        """Call `handler(events)` when `fd` is ready for any of `events`; 0 forgets it."""
        if self._known.get(fd, 0) == events:
            return
        self.forget(fd)
        if events:
            self._selector.register(fd, events, handler)
            self._known[fd] = events

    def forget(self, fd: int) -> None:
        """Before `fd` is closed."""
        if self._known.pop(fd, 0):
            self._selector.unregister(fd)

    def wait(self, timeout: float | None) -> None:
        """Wait for something to be ready, at most `timeout` seconds, and have it handled."""
        for key, events in self._selector.select(timeout):
            present = self._selector.get_map().get(key.fd)
            if present is not None and present.data is key.data:  # an earlier handler may have closed it
                key.data(events)

    def close(self) -> None:
        self._selector.close()


class Backlog:
    """Bytes on their way out, without copying them together."""

    def __init__(self) -> None:
        self._parts: deque[memoryview] = deque()
        self.size = 0

    def add(self, data: bytes) -> None:
        if data:
            self._parts.append(memoryview(data))
            self.size += len(data)

    def send(self, write: Callable[[memoryview], int]) -> None:
        """Write until it is empty, or `write` says that it would block (BlockingIOError)."""
        while self._parts:
            try:
                sent = write(self._parts[0])
            except BlockingIOError:
                return
            self.size -= sent
            rest = self._parts[0][sent:]
            if rest:
                self._parts[0] = rest
            else:
                self._parts.popleft()

    def clear(self) -> None:
        self._parts.clear()
        self.size = 0


class Outlet(Protocol):
    """One instrument's way out of this process."""

    name: str
    kind: str

    @property
    def address(self) -> str:
        """As a bench file writes it."""
        ...

    def service(self, now: float) -> None:
        """Do what is due."""
        ...

    def wait(self, now: float) -> float | None:
        """Seconds until `service` is due again, whatever the selector says; None for never."""
        ...

    def close(self) -> None: ...


def _until_due(cable: Double, backlog: Backlog, now: float) -> float | None:
    if backlog.size >= _ROOM:
        return None
    due = cable.due()
    return None if due is None else max(0.0, due - now)


def _sooner(*times: float | None) -> float | None:
    return min((t for t in times if t is not None), default=None)


class TcpOutlet:
    """A double on a loopback port. One host at a time by default, as real instruments have it; more are turned away."""

    kind = "tcp"

    def __init__(self, name: str, cable: Double, watcher: Watcher, host: str = "127.0.0.1", clients: int = 1) -> None:
        self.name = name
        self._cable = cable
        self._watcher = watcher
        self._most = clients
        self._clients: dict[int, socket.socket] = {}
        self._speaker = -1  # fd of the host that spoke last: answers go to it
        self._backlog = Backlog()
        self._listener: socket.socket | None = None
        self._host, self._port = host, 0
        self._listen()

    @property
    def address(self) -> str:
        return f"TCPIP::{self._host}::{self._port}::SOCKET"

    def service(self, now: float) -> None:
        plugged = self._cable.plugged
        if not plugged:
            self._pull()
            return
        if self._listener is None:
            self._listen()
        if self._backlog.size < _ROOM:
            data = self._cable.take()
            if self._speaker in self._clients:
                self._backlog.add(data)
        self._flush()

    def wait(self, now: float) -> float | None:
        return _until_due(self._cable, self._backlog, now)

    def close(self) -> None:
        self._pull()

    def _listen(self) -> None:
        listener = socket.create_server((self._host, self._port), backlog=8)
        listener.setblocking(False)
        self._port = listener.getsockname()[1]
        self._listener = listener
        self._watcher.want(listener.fileno(), selectors.EVENT_READ, self._accept)

    def _accept(self, events: int) -> None:
        if self._listener is None:
            return
        try:
            client, _ = self._listener.accept()
        except OSError:  # gone again before we looked
            return
        if len(self._clients) >= self._most:
            client.close()
            return
        client.setblocking(False)
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._clients[client.fileno()] = client
        self._watch(client.fileno())

    def _watch(self, fd: int) -> None:
        reading = selectors.EVENT_READ if self._backlog.size < _ROOM else 0
        writing = selectors.EVENT_WRITE if self._backlog.size and fd == self._speaker else 0
        self._watcher.want(fd, reading | writing, lambda events: self._ready(fd, events))

    def _ready(self, fd: int, events: int) -> None:
        if events & selectors.EVENT_READ and not self._receive(fd):
            return
        if events & selectors.EVENT_WRITE:
            self._flush()

    def _receive(self, fd: int) -> bool:
        try:
            data = self._clients[fd].recv(_READ)
        except BlockingIOError:
            return True
        except OSError:
            data = b""
        if not data:
            self._drop(fd)
            return False
        if fd != self._speaker:
            self._backlog.clear()
            self._speaker = fd
        self._cable.receive(data)
        return True

    def _flush(self) -> None:
        speaker = self._clients.get(self._speaker)
        if speaker is None:
            self._backlog.clear()
            return
        try:
            self._backlog.send(speaker.send)
        except OSError:
            self._drop(self._speaker)
            return
        for fd in self._clients:
            self._watch(fd)

    def _drop(self, fd: int) -> None:
        self._watcher.forget(fd)
        self._clients.pop(fd).close()
        if fd == self._speaker:
            self._speaker = -1
            self._backlog.clear()

    def _pull(self) -> None:
        for fd in list(self._clients):
            self._drop(fd)
        if self._listener is not None:
            self._watcher.forget(self._listener.fileno())
            self._listener.close()
            self._listener = None


class HttpOutlet(TcpOutlet):
    """A double that speaks HTTP on a loopback port; its address names the path of its pictures."""

    kind = "http"

    @property
    def address(self) -> str:
        return f"http://{self._host}:{self._port}/video"


class Vxi11Outlet(TcpOutlet):
    """A double behind VXI-11 on a loopback port."""

    kind = "vxi11"

    def __init__(self, name: str, cable: Cable, watcher: Watcher, host: str = "127.0.0.1", clients: int = 1) -> None:
        self._gate = Vxi11Gate(Mailbox(cable), cable.clock)
        super().__init__(name, self._gate, watcher, host, clients)

    @property
    def address(self) -> str:
        return f"TCPIP::{self._host},{self._port}::inst0::INSTR"

    def _drop(self, fd: int) -> None:
        super()._drop(fd)
        self._gate.forget()


class PlusPlusOutlet(TcpOutlet):
    """A double on GPIB behind a controller adapter of its own, on a loopback port."""

    kind = "plusplus"
    GPIB = 22

    def __init__(self, name: str, cable: Cable, watcher: Watcher, host: str = "127.0.0.1", clients: int = 1) -> None:
        self._gate = PlusPlusGate({self.GPIB: Mailbox(cable)}, cable.clock)
        super().__init__(name, self._gate, watcher, host, clients)

    @property
    def address(self) -> str:
        return f"gpib+tcp://{self._host}:{self._port}/{self.GPIB}"

    def _drop(self, fd: int) -> None:
        super()._drop(fd)
        self._gate.forget()


class Rfc2217Outlet(TcpOutlet):
    """A double with a serial port behind an RFC 2217 server on a loopback port."""

    kind = "rfc2217"

    def __init__(self, name: str, cable: Cable, watcher: Watcher, host: str = "127.0.0.1", clients: int = 1) -> None:
        self._gate = Rfc2217Gate(cable)
        super().__init__(name, self._gate, watcher, host, clients)

    @property
    def address(self) -> str:
        return f"rfc2217://{self._host}:{self._port}"

    def _drop(self, fd: int) -> None:
        super()._drop(fd)
        self._gate.forget()


class HislipOutlet(TcpOutlet):
    """A double behind HiSLIP on a loopback port: the first connection is the synchronous one."""

    kind = "hislip"

    def __init__(self, name: str, cable: Cable, watcher: Watcher, host: str = "127.0.0.1", clients: int = 1) -> None:
        self._gate = HislipGate(Mailbox(cable), cable.clock)
        self._backlogs: dict[int, Backlog] = {}
        super().__init__(name, cable, watcher, host, 2)

    @property
    def address(self) -> str:
        return f"TCPIP::{self._host}::hislip0,{self._port}::INSTR"

    def service(self, now: float) -> None:
        if not self._cable.plugged:
            self._pull()
            return
        if self._listener is None:
            self._listen()
        if all(backlog.size < _ROOM for backlog in self._backlogs.values()):
            self._gate.service()
        self._flush()

    def wait(self, now: float) -> float | None:
        due = self._gate.due()
        return None if due is None else max(0.0, due - now)

    def _watch(self, fd: int) -> None:
        backlog = self._backlogs.setdefault(fd, Backlog())
        writing = selectors.EVENT_WRITE if backlog.size else 0
        self._watcher.want(fd, selectors.EVENT_READ | writing, lambda events: self._ready(fd, events))

    def _receive(self, fd: int) -> bool:
        try:
            data = self._clients[fd].recv(_READ)
        except BlockingIOError:
            return True
        except OSError:
            data = b""
        if not data:
            self._drop(fd)
            return False
        self._gate.receive(data, fd == next(iter(self._clients)))
        self._flush()
        return True

    def _flush(self) -> None:
        for sync, fd in zip((True, False), list(self._clients), strict=False):
            self._backlogs[fd].add(self._gate.out[sync])
            self._gate.out[sync] = b""
            try:
                self._backlogs[fd].send(self._clients[fd].send)
            except OSError:
                self._drop(fd)
                return
            self._watch(fd)

    def _drop(self, fd: int) -> None:
        """One gone, both gone."""
        for each in list(self._clients):
            self._backlogs.pop(each, None)
            super()._drop(each)
        self._gate.forget()


class PtyOutlet:
    """A double on a pseudo-terminal, under a link whose path stays the same through unplugging.

    The far side is not held open here, so that the terminal hangs up when the host closes it; a terminal that is
    hung up is looked at twenty times a second instead of being watched. There are no DTR and RTS lines on it.
    """

    def __init__(self, name: str, cable: Cable, watcher: Watcher, folder: Path, kind: str = "serial") -> None:
        self.name = name
        self.kind = kind
        self._cable = cable
        self._watcher = watcher
        self._link = folder / name
        self._backlog = Backlog()
        self._master: int | None = None
        self._heard = False  # somebody has the far side open
        self._open()

    @property
    def address(self) -> str:
        return f"ASRL{self._link}::INSTR" if self.kind == "visa serial" else f"serial://{self._link}"

    def service(self, now: float) -> None:
        plugged = self._cable.plugged
        if not plugged:
            self.close()
            return
        if self._master is None:
            self._open()
        self._look()
        if self._backlog.size < _ROOM:
            data = self._cable.take()
            if self._heard:
                self._backlog.add(data)
        self._flush()

    def wait(self, now: float) -> float | None:
        look = None if self._heard or self._master is None else _LOOK
        return _sooner(look, _until_due(self._cable, self._backlog, now))

    def close(self) -> None:
        if self._master is None:
            return
        self._hang_up()
        os.close(self._master)
        self._master = None
        self._link.unlink(missing_ok=True)

    def _open(self) -> None:
        master, slave = os.openpty()
        tty.setraw(slave, termios.TCSANOW)
        os.set_blocking(master, False)
        target = os.ttyname(slave)
        os.close(slave)
        self._master = master
        self._link.unlink(missing_ok=True)
        self._link.symlink_to(target)

    def _look(self) -> None:
        if self._heard or self._master is None:
            return
        poll = select.poll()
        poll.register(self._master, select.POLLIN)
        if any(events & select.POLLHUP for _, events in poll.poll(0)):
            return
        with suppress(termios.error):
            tty.setraw(self._master, termios.TCSANOW)
        self._heard = True
        self._cable.take()  # said to nobody before
        self._watch()

    def _watch(self) -> None:
        if self._master is None or not self._heard:
            return
        reading = selectors.EVENT_READ if self._backlog.size < _ROOM else 0
        writing = selectors.EVENT_WRITE if self._backlog.size else 0
        self._watcher.want(self._master, reading | writing, self._ready)

    def _ready(self, events: int) -> None:
        if self._master is None:
            return
        if events & selectors.EVENT_READ:
            try:
                data = os.read(self._master, _READ)
            except BlockingIOError:
                data = b""
            except OSError:  # EIO: the host has closed it
                self._hang_up()
                return
            if data:
                self._cable.receive(data)
        if events & selectors.EVENT_WRITE:
            self._flush()

    def _flush(self) -> None:
        master = self._master
        if master is None or not self._heard:
            self._backlog.clear()
            return
        try:
            self._backlog.send(lambda part: os.write(master, part))
        except OSError:
            self._hang_up()
            return
        if self.kind == "serial":
            self._backlog.clear()  # a talking meter does not wait for its listener
        self._watch()

    def _hang_up(self) -> None:
        self._heard = False
        self._backlog.clear()
        if self._master is not None:
            self._watcher.forget(self._master)
