"""VXI-11 over TCP, and GPIB behind a VXI-11 gateway.

TCPIP::HOST::inst0::INSTR, TCPIP::HOST::gpib0,22::INSTR; TCPIP::HOST,PORT::inst0::INSTR where the port is known, which
asks no port mapper. Sources: VXI-11 revision 1.0 (channels, procedures, error numbers); RFC 1057 (calls, record marks,
port mapper); RFC 1014 (XDR).
"""

from __future__ import annotations

import contextlib
import itertools
import os
import struct

from ..clock import Clock
from ..errors import LinkError, LinkLost, LinkTimeout
from .sockets import Wire

PORT_MAPPER, _MAPPER_PROGRAM, _GET_PORT, _TCP = 111, 100000, 3, 6
_CORE = 0x0607AF
_CREATE, _WRITE, _READ, _STATUS, _CLEAR, _DESTROY = 10, 11, 12, 13, 15, 23
_END_FLAG, _END_REASON = 0x08, 0x04
_TIMED_OUT = 15
_GRACE = 2.0  # seconds beyond the time that the instrument was given
_PATIENCE = 5.0  # seconds for what needs no waiting
_LONGEST = 30.0  # seconds that one read waits in the instrument; a longer one is asked again
_CHUNK = 1 << 20  # bytes asked for at a time
_LIMIT = 64 << 20  # bytes of one answer of the protocol
_ERRORS = {
    1: "syntax error", 3: "no such device there", 4: "it has forgotten the link", 5: "parameter error",
    6: "channel not established", 8: "it has no such operation", 9: "it takes no more connections",
    11: "another program has locked it", 12: "no lock held", 17: "input or output error", 21: "invalid address",
    23: "aborted", 29: "channel already established",
}  # fmt: skip


class Calls:
    """Remote procedure calls over one connection."""

    def __init__(self, address: str, clock: Clock, host: str, port: int) -> None:
        self.address = address
        self._clock = clock
        self._wire = Wire(address, clock, host, port)
        self._numbers = itertools.count(os.getpid() << 8 & 0x7FFFFF00)

    def call(self, program: int, version: int, procedure: int, body: bytes, seconds: float) -> bytes:
        """The results of one call. Any answer to another call, or none in time, is LinkLost: nothing fits any more."""
        number = next(self._numbers) & 0xFFFFFFFF
        head = struct.pack(">10I", number, 0, 2, program, version, procedure, 0, 0, 0, 0)
        self._wire.send(struct.pack(">I", 0x80000000 | len(head) + len(body)) + head + body)
        try:
            answer = self._record(self._clock.now() + seconds)
        except LinkTimeout as error:
            raise self._wire.lost("no answer to a call") from error
        if len(answer) < 24 or struct.unpack_from(">3I", answer) != (number, 1, 0):
            raise self._wire.lost("an answer to another call came")
        at = 20 + (struct.unpack_from(">I", answer, 16)[0] + 3 & ~3)
        if len(answer) < at + 4 or struct.unpack_from(">I", answer, at)[0]:
            raise self._wire.lost("the far end does not know this call")
        return answer[at + 4 :]

    def _record(self, deadline: float) -> bytes:
        parts = []
        while True:
            mark = struct.unpack(">I", self._wire.exactly(4, deadline))[0]
            if mark & 0x7FFFFFFF > _LIMIT:
                raise self._wire.lost("what came is no VXI-11")
            parts.append(self._wire.exactly(mark & 0x7FFFFFFF, deadline))
            if mark & 0x80000000:
                return b"".join(parts)

    def close(self) -> None:
        self._wire.close()


class Vxi11Link:
    """A `MessageLink`. `port` 0 asks the port mapper of the host."""

    def __init__(self, address: str, clock: Clock, host: str, port: int, device: str) -> None:
        self._address = address
        self._clock = clock
        self._calls = Calls(address, clock, host, port or _mapped(address, clock, host))
        name = device.encode("ascii")
        body = struct.pack(">iIII", os.getpid() & 0x7FFFFFFF, 0, 0, len(name)) + name + b"\0" * (-len(name) % 4)
        try:
            error, self._id, _, self._most = self._fields(_CREATE, body, ">iiII")
            self._refuse(error, f"to open {device}")
        except BaseException:
            self._calls.close()
            raise
        self._most = min(max(self._most, 1024), _CHUNK)

    def send(self, message: bytes) -> None:
        for at in range(0, len(message), self._most):
            part = message[at : at + self._most]
            flags = _END_FLAG if at + len(part) == len(message) else 0
            head = struct.pack(">iIIII", self._id, round(_PATIENCE * 1000), 0, flags, len(part))
            error, taken = self._fields(_WRITE, head + part + b"\0" * (-len(part) % 4), ">iI", _PATIENCE + _GRACE)
            self._refuse(error, "to take a message")
            if taken != len(part):
                raise LinkLost(f"{self._address}: it took a part of a message only.", address=self._address)

    def receive(self, deadline: float) -> tuple[bytes, bool]:
        left = min(max(deadline - self._clock.now(), 0.0), _LONGEST)
        body = struct.pack(">iIIIII", self._id, _CHUNK, round(left * 1000), 0, 0, 0)
        found = self._calls.call(_CORE, 1, _READ, body, left + _GRACE)
        error, reason, count = self._unpacked(">iiI", found)
        data = found[12 : 12 + count]
        if error == _TIMED_OUT:
            self._clock.sleep_until(min(deadline, self._clock.now() + left))
            return data, False
        self._refuse(error, "to answer")
        return data, bool(reason & _END_REASON)

    def clear(self) -> None:
        (error,) = self._fields(_CLEAR, self._generic(), ">i", _PATIENCE + _GRACE)
        self._refuse(error, "a device clear")

    def status(self) -> int:
        error, status = self._fields(_STATUS, self._generic(), ">iI", _PATIENCE + _GRACE)
        self._refuse(error, "to tell its status")
        return int(status) & 0xFF

    def close(self) -> None:
        with contextlib.suppress(LinkError):
            self._calls.call(_CORE, 1, _DESTROY, struct.pack(">i", self._id), 0.5)
        self._calls.close()

    def _generic(self) -> bytes:
        return struct.pack(">iIII", self._id, 0, 0, round(_PATIENCE * 1000))

    def _fields(self, procedure: int, body: bytes, form: str, seconds: float = _PATIENCE) -> tuple[int, ...]:
        return self._unpacked(form, self._calls.call(_CORE, 1, procedure, body, seconds))

    def _unpacked(self, form: str, found: bytes) -> tuple[int, ...]:
        if len(found) < struct.calcsize(form):
            raise LinkLost(f"{self._address}: what came is no VXI-11.", address=self._address)
        return struct.unpack_from(form, found)

    def _refuse(self, error: int, doing: str) -> None:
        if error == _TIMED_OUT:
            raise LinkTimeout(f"{self._address}: it was too slow {doing}.", address=self._address, doing=doing)
        if error:
            words = _ERRORS.get(error, f"error {error}")
            raise LinkLost(
                f"{self._address}: it refused {doing}: {words}.",
                address=self._address,
                doing=doing,
                next_step="Check the address, and that no other program has the instrument.",
            )


def _mapped(address: str, clock: Clock, host: str) -> int:
    """The port of the core channel, as the host's port mapper says."""
    calls = Calls(address, clock, host, PORT_MAPPER)
    try:
        body = struct.pack(">4I", _CORE, 1, _TCP, 0)
        found = calls.call(_MAPPER_PROGRAM, 2, _GET_PORT, body, _PATIENCE)
    finally:
        calls.close()
    port: int = struct.unpack(">I", found[:4])[0] if len(found) >= 4 else 0
    if not 0 < port < 65536:
        raise LinkError(
            f"{address}: this host has no VXI-11.",
            address=address,
            doing="open",
            next_step=f"Try TCPIP::{host}::hislip0::INSTR, or its raw socket, TCPIP::{host}::5025::SOCKET.",
        )
    return port
