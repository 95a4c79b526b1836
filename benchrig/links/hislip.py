"""HiSLIP, synchronized mode: TCPIP::HOST::hislip0::INSTR, and TCPIP::HOST::hislip0,PORT::INSTR.

Two connections make one session. Overlapped mode is switched off: then each answer carries the number of the message
that it answers, and an answer with another number is dropped. A device clear is the handshake of the standard, after
which the numbers begin anew. Source: IVI-6.1 revision 2.0 (message types, table 4; synchronized mode, 3.1; device
clear, 3.1.1 and 6.12).
"""

from __future__ import annotations

import contextlib
import struct

from ..clock import Clock
from ..errors import LinkLost, LinkTimeout
from .sockets import Wire

_HEADER = struct.Struct(">2sBBIQ")
_INITIALIZE, _INITIALIZED, _FATAL, _ERROR = 0, 1, 2, 3
_DATA, _DATA_END, _CLEAR_COMPLETE, _CLEAR_ACKNOWLEDGE = 6, 7, 8, 9
_INTERRUPTED, _ASYNC_INTERRUPTED = 13, 14
_ASYNC_INITIALIZE, _ASYNC_INITIALIZED, _ASYNC_CLEAR, _SERVICE_REQUEST = 17, 18, 19, 20
_STATUS_QUERY, _STATUS, _ASYNC_CLEAR_ACKNOWLEDGE = 21, 22, 23
_FIRST = 0xFFFFFF00
_NO_NUMBER = 0xFFFFFFFF  # of a server that does not number its answers; the port's marks prove those
_PATIENCE = 5.0  # seconds for what needs no waiting
_GRACE = 2.0  # seconds for the rest of a piece whose header came
_LIMIT = 1 << 30
_PIECE = 1 << 20


class HislipLink:
    """A `MessageLink`."""

    def __init__(self, address: str, clock: Clock, host: str, port: int, device: str) -> None:
        self._address = address
        self._clock = clock
        self._sync = Wire(address, clock, host, port)
        self._async: Wire | None = None
        try:
            self._put(self._sync, _INITIALIZE, 0, 0x0100 << 16 | 0x7A7A, device.encode("ascii"))
            overlapped, session, _ = self._wait_for(self._sync, _INITIALIZED)
            self._async = Wire(address, clock, host, port)
            self._put(self._async, _ASYNC_INITIALIZE, 0, session & 0xFFFF)
            self._wait_for(self._async, _ASYNC_INITIALIZED)
            self._number = _FIRST
            self._delivered = 0
            self._last = 0
            if overlapped & 1:
                self.clear()  # its handshake is where the mode is chosen
        except LinkTimeout as error:
            self.close()
            raise LinkLost(
                f"{address}: it opens, but does not speak HiSLIP.",
                address=address,
                doing="open",
                next_step=f"Try TCPIP::{host}::inst0::INSTR, or its raw socket, TCPIP::{host}::5025::SOCKET.",
            ) from error
        except BaseException:
            self.close()
            raise

    def send(self, message: bytes) -> None:
        for at in range(0, len(message), _PIECE):
            piece = message[at : at + _PIECE]
            kind = _DATA_END if at + len(piece) == len(message) else _DATA
            self._put(self._sync, kind, self._delivered, self._number, piece)
        self._last = self._number
        self._number = self._number + 2 & 0xFFFFFFFF
        self._delivered = 0

    def receive(self, deadline: float) -> tuple[bytes, bool]:
        while True:
            try:
                kind, _, number, data = self._get(self._sync, deadline)
            except LinkTimeout:
                return b"", False
            if kind in (_DATA, _DATA_END) and number in (self._last, _NO_NUMBER):
                self._delivered = int(kind == _DATA_END)
                if data or kind == _DATA_END:
                    return data, kind == _DATA_END
            elif kind not in (_DATA, _DATA_END, _INTERRUPTED):
                raise self._sync.lost(f"message {kind} where an answer was due")

    def clear(self) -> None:
        control = self._control()
        self._put(control, _ASYNC_CLEAR, 0, 0)
        self._wait_for(control, _ASYNC_CLEAR_ACKNOWLEDGE)
        self._put(self._sync, _CLEAR_COMPLETE, 0, 0)  # control code 0: synchronized, not overlapped
        self._wait_for(self._sync, _CLEAR_ACKNOWLEDGE)
        self._number, self._delivered = _FIRST, 0

    def status(self) -> int:
        control = self._control()
        self._put(control, _STATUS_QUERY, self._delivered, self._last)
        status, _, _ = self._wait_for(control, _STATUS)
        return status

    def close(self) -> None:
        self._sync.close()
        if self._async is not None:
            self._async.close()

    def _control(self) -> Wire:
        if self._async is None:
            raise self._sync.lost("the second connection is not open")
        return self._async

    def _put(self, wire: Wire, kind: int, control: int, number: int, data: bytes = b"") -> None:
        wire.send(_HEADER.pack(b"HS", kind, control, number, len(data)) + data)

    def _get(self, wire: Wire, deadline: float) -> tuple[int, int, int, bytes]:
        prologue, kind, control, number, size = _HEADER.unpack(wire.exactly(_HEADER.size, deadline))
        if prologue != b"HS" or size > _LIMIT:
            raise wire.lost("what came is no HiSLIP")
        try:
            data = wire.exactly(size, max(deadline, self._clock.now()) + _GRACE)
        except LinkTimeout as error:
            raise wire.lost("a message came in part only") from error
        if kind in (_FATAL, _ERROR):
            with contextlib.suppress(Exception):
                self.close()
            raise wire.lost(f"it told error {control}: {data[:80].decode('ascii', 'replace')}")
        return kind, control, number, data

    def _wait_for(self, wire: Wire, wanted: int) -> tuple[int, int, bytes]:
        """Control code, parameter and data of the next message of one kind; what was under way before it is dropped."""
        deadline = self._clock.now() + _PATIENCE
        while True:
            kind, control, number, data = self._get(wire, deadline)
            if kind == wanted:
                return control, number, data
            if kind not in (_DATA, _DATA_END, _INTERRUPTED, _ASYNC_INTERRUPTED, _SERVICE_REQUEST):
                raise wire.lost(f"message {kind} came where {wanted} was due")
