"""A double behind HiSLIP, synchronized mode: two connections to one port make a session.

Source: IVI-6.1 revision 2.0: message types (table 4), initialization (6.1), synchronized mode (3.1.2), device clear
(6.12), status query (6.14). Answers carry the number of the message they answer.
"""

from __future__ import annotations

import struct

from benchrig.clock import Clock

from .gates import Mailbox

HEADER = struct.Struct(">2sBBIQ")
_SESSION = 0x1234
_MOST = 1 << 16  # bytes of one piece of an answer


class HislipGate:
    """What comes on either connection, and what goes out on which."""

    def __init__(self, mailbox: Mailbox, clock: Clock) -> None:
        self._box = mailbox
        self._clock = clock
        self.forget()

    def forget(self) -> None:
        """The session is gone."""
        self._in = {True: b"", False: b""}
        self.out = {True: b"", False: b""}  # by: is it the synchronous connection
        self._number = 0
        self._clearing = False

    def receive(self, data: bytes, sync: bool) -> None:
        self._in[sync] += data
        while len(self._in[sync]) >= HEADER.size:
            mark, kind, control, number, size = HEADER.unpack(self._in[sync][: HEADER.size])
            if mark != b"HS":
                self._in[sync] = b""
                self._put(sync, 2, 1, 0, b"Poorly formed message header")
                return
            if len(self._in[sync]) < HEADER.size + size:
                return
            body = self._in[sync][HEADER.size : HEADER.size + size]
            self._in[sync] = self._in[sync][HEADER.size + size :]
            (self._on_sync if sync else self._on_async)(kind, control, number, body)

    def due(self) -> float | None:
        return None if self._clearing else self._box.due()

    def service(self) -> None:
        """Send what the instrument has to say."""
        while not self._clearing:
            data, end = self._box.take(_MOST)
            if not data:
                return
            self._put(True, 7 if end else 6, 0, self._number, data)

    def _on_sync(self, kind: int, control: int, number: int, body: bytes) -> None:
        if kind == 0:
            self._box.clear()
            self._put(True, 1, 0, 0x0100 << 16 | _SESSION)
        elif kind in (6, 7):
            if self._clearing:
                return
            self.service()
            self._number = number
            self._box.hear(body, kind == 7)
        elif kind == 8:
            self._clearing = False
            self.out[True] = b""
            self._put(True, 9, 0, 0)
        elif kind != 12:
            self._put(True, 3, 1, 0, b"Unrecognized Message Type")

    def _on_async(self, kind: int, control: int, number: int, body: bytes) -> None:
        if kind == 17:
            self._put(False, 18, 0, 0x7A7A)
        elif kind == 15:
            self._put(False, 16, 0, 0, struct.pack(">Q", 1 << 20))
        elif kind == 19:
            self._clearing = True
            self._box.clear()
            self._in[True] = b""
            self._put(False, 23, 0, 0)
        elif kind == 21:
            self._put(False, 22, 0x10 if self._box.waiting else 0, 0)
        elif kind == 10:
            self._put(False, 11, 0, 0)
        elif kind == 4:
            self._put(False, 5, 1, 0)
        elif kind == 24:
            self._put(False, 25, 0, 0)
        else:
            self._put(False, 3, 1, 0, b"Unrecognized Message Type")

    def _put(self, sync: bool, kind: int, control: int, number: int, body: bytes = b"") -> None:
        self.out[sync] += HEADER.pack(b"HS", kind, control, number, len(body)) + body
