"""A double behind VXI-11: a core channel on a port of its own, for one connection after the other.

Sources: VXI-11 revision 1.0, sections B.5 and B.6 (procedures, results, error numbers); RFC 1057 sections 8 to 10
(calls and record marks); RFC 1014 (XDR). There is no port mapper here, because port 111
belongs to the system: the address names the port.
"""

from __future__ import annotations

import struct
from math import ceil

from benchrig.clock import Clock

from .gates import Mailbox

CORE = 0x0607AF
_LARGEST = 65536  # bytes of one write, as told to the host
_NO_LINK, _NOT_SUPPORTED, _IO_TIMEOUT, _NO_DEVICE = 4, 8, 15, 3


class Vxi11Gate:
    """Calls in, results out; a `Double` for whoever serves bytes."""

    def __init__(self, mailbox: Mailbox, clock: Clock, device: str = "inst0") -> None:
        self._box = mailbox
        self._clock = clock
        self._device = device
        self._in = b""
        self._record = b""
        self._out = b""
        self._links: set[int] = set()
        self._made = 0
        self._reading: tuple[int, float, int] | None = None  # call number, until when, most bytes

    @property
    def plugged(self) -> bool:
        return self._box.plugged

    @plugged.setter
    def plugged(self, value: bool) -> None:
        self._box.plugged = value

    def forget(self) -> None:
        """The connection is gone."""
        self._in = self._record = self._out = b""
        self._links.clear()
        self._reading = None

    def receive(self, data: bytes) -> None:
        self._in += data
        while len(self._in) >= 4:
            mark = struct.unpack(">I", self._in[:4])[0]
            size = mark & 0x7FFFFFFF
            if len(self._in) < 4 + size:
                return
            self._record += self._in[4 : 4 + size]
            self._in = self._in[4 + size :]
            if mark & 0x80000000:
                record, self._record = self._record, b""
                self._call(record)

    def due(self) -> float | None:
        if self._out:
            return self._clock.now()
        moments = [self._box.due(), self._reading[1] if self._reading else None]
        return min((it for it in moments if it is not None), default=None)

    def take(self) -> bytes:
        self._try_to_read()
        data, self._out = self._out, b""
        return data

    def _call(self, record: bytes) -> None:
        number, kind, rpc, program, version, procedure = struct.unpack(">6I", record[:24])
        at = 24
        for _ in range(2):  # credentials and verifier
            at += 8 + ceil(struct.unpack(">I", record[at + 4 : at + 8])[0] / 4) * 4
        if kind or rpc != 2:
            return
        if program != CORE or version != 1:
            self._reply(number, b"", 1)
            return
        self._run(number, procedure, record[at:])

    def _run(self, number: int, procedure: int, body: bytes) -> None:
        if procedure == 0:
            self._reply(number, b"")
        elif procedure == 10:
            self._create(number, body)
        elif procedure in (11, 12, 13, 14, 15, 16, 17, 18, 19, 20, 22, 23):
            link = struct.unpack(">i", body[:4])[0]
            error = 0 if link in self._links else _NO_LINK
            self._on_link(number, procedure, link, body[4:], error)
        else:
            self._reply(number, struct.pack(">i", _NOT_SUPPORTED))

    def _create(self, number: int, body: bytes) -> None:
        size = struct.unpack(">I", body[12:16])[0]
        known = body[16 : 16 + size].decode("ascii", "replace").lower() == self._device
        if known:
            self._made += 1
            self._links.add(self._made)
        fields = (0 if known else _NO_DEVICE, self._made if known else 0, 0, _LARGEST)
        self._reply(number, struct.pack(">iiII", *fields))

    def _on_link(self, number: int, procedure: int, link: int, body: bytes, error: int) -> None:
        if procedure == 11:
            flags, size = struct.unpack(">II", body[8:16])
            if not error:
                self._box.hear(body[16 : 16 + size], bool(flags & 8))
            self._reply(number, struct.pack(">iI", error, 0 if error else size))
        elif procedure == 12:
            most, wait = struct.unpack(">II", body[:8])
            if error:
                self._reply(number, struct.pack(">iiI", error, 0, 0))
                return
            self._reading = (number, self._clock.now() + wait / 1000, most)
        elif procedure == 13:
            self._reply(number, struct.pack(">iI", error, 0x10 if not error and self._box.waiting else 0))
        elif procedure == 15:
            if not error:
                self._box.clear()
            self._reply(number, struct.pack(">i", error))
        elif procedure == 22:
            self._reply(number, struct.pack(">iI", error or _NOT_SUPPORTED, 0))
        else:
            if procedure == 23:
                self._links.discard(link)
            self._reply(number, struct.pack(">i", error))

    def _try_to_read(self) -> None:
        if self._reading is None:
            return
        number, until, most = self._reading
        data, end = self._box.take(most)
        if not data and self._clock.now() < until:
            return
        self._reading = None
        error = 0 if data else _IO_TIMEOUT
        reason = (4 if end else 0) | (1 if len(data) == most else 0)
        self._reply(number, struct.pack(">iiI", error, reason, len(data)) + data + b"\0" * (-len(data) % 4))

    def _reply(self, number: int, results: bytes, state: int = 0) -> None:
        record = struct.pack(">6I", number, 1, 0, 0, 0, state) + results
        self._out += struct.pack(">I", 0x80000000 | len(record)) + record
