"""GPIB through a controller adapter that takes `++` commands, over a socket or a serial port.

gpib+tcp://HOST:PORT/22, gpib+serial:///dev/ttyUSB0/22: the last number is the GPIB address (IEEE 488.1, 0 to 30).

A question and its `++read eoi` go out in one write, because two small ones wait for each other on TCP. Several
addresses may stand behind one adapter: it serves one conversation at a time, from a question to the end of its answer,
and whoever finds an answer given up there clears it first. Source: the command set that makers of such adapters publish
(++addr, ++auto, ++clr, ++eoi, ++eos, ++mode, ++read, ++read_tmo_ms, ++savecfg, ++spoll).
"""

from __future__ import annotations

import re
import threading

from ..clock import Clock
from ..errors import LinkLost, LinkTimeout
from .base import LineSettings, Link

_WAITS = 1.0  # seconds that the adapter waits for an instrument, told to it
_GRACE = 0.3  # seconds beyond that
_TURN = 10.0  # seconds to wait for the conversation of another instrument to end
_SETTINGS = b"++savecfg 0\n++mode 1\n++auto 0\n++eoi 1\n++eos 2\n++eot_enable 0\n++read_tmo_ms 1000\n"
_ESCAPED = re.compile(rb"[\r\n\x1b+]")
_BLOCK = re.compile(rb"#([1-9])")
_adapters: dict[tuple[str, int], _Adapter] = {}
_adapters_lock = threading.Lock()


class PlusPlusLink:
    """A `MessageLink` to one address. `host` is a path where the adapter is on a serial port."""

    def __init__(self, address: str, clock: Clock, host: str, port: int, device: str) -> None:
        if not 0 <= int(device) <= 30:
            raise LinkLost(
                f"{address}: {device} is no GPIB address.",
                address=address,
                next_step="Use 0 to 30, as it is set there.",
            )
        self._address = address
        self._clock = clock
        self._number = int(device)
        self._answer = b""
        self._asked_until = 0.0
        self._adapter = _share(host, port, clock)
        try:
            self._adapter.turn(self._number, address)
            self._adapter.recover()
        except BaseException:
            self.close()
            raise
        self._adapter.end_turn()

    def send(self, message: bytes) -> None:
        question = b"?" in message
        self._adapter.turn(self._number, self._address)
        self._answer = b""
        text = b"++addr %d\n" % self._number + _ESCAPED.sub(lambda it: b"\x1b" + it[0], message.rstrip(b"\r\n")) + b"\n"
        self._adapter.link.write(text + (b"++read eoi\n" if question else b""))
        self._asked_until = self._clock.now() + _WAITS + _GRACE
        if question:
            self._adapter.dirty = self._number
        else:
            self._adapter.end_turn()

    def receive(self, deadline: float) -> tuple[bytes, bool]:
        if not self._adapter.mine(self._number):  # given up, and cleared by another instrument's turn
            self._clock.sleep_until(deadline)
            return b"", False
        if self._clock.now() >= self._asked_until and not self._answer:
            self._adapter.link.write(b"++read eoi\n")
            self._asked_until = self._clock.now() + _WAITS + _GRACE
        data = self._adapter.link.read(min(deadline, max(self._asked_until, self._clock.now())))
        self._answer += data
        if _whole(self._answer):
            self._answer, self._adapter.dirty = b"", None
            self._adapter.end_turn()
            return data, True
        if self._clock.now() >= deadline:
            self._adapter.end_turn()
        return data, False

    def clear(self) -> None:
        self._adapter.turn(self._number, self._address)
        self._adapter.dirty = self._number
        self._adapter.recover()
        self._adapter.end_turn()

    def status(self) -> int:
        self._adapter.turn(self._number, self._address)
        try:
            return self._adapter.asked(b"++spoll %d\n" % self._number)
        finally:
            self._adapter.end_turn()

    def close(self) -> None:
        self._adapter.leave(self._number)


class _Adapter:
    """One adapter, shared by the instruments behind it. `dirty`: the address whose answer may still come."""

    def __init__(self, key: tuple[str, int], clock: Clock) -> None:
        from .opening import open_address

        host, port = key
        text = f"TCPIP::{host}::{port}::SOCKET" if port else f"serial://{host}"
        self.key = key
        self.users = 0
        self.dirty: int | None = None
        self.link: Link = open_address(text, clock, LineSettings(115200), None)
        self._clock = clock
        self._turn = threading.Condition()
        self._owner: int | None = None
        self.link.write(_SETTINGS)

    def mine(self, number: int) -> bool:
        return self._owner == number

    def turn(self, number: int, address: str) -> None:
        """Wait for the adapter; clear what another has given up there. Raises LinkTimeout."""
        with self._turn:
            if not self._turn.wait_for(lambda: self._owner in (None, number), _TURN):
                raise LinkTimeout(f"{address}: its adapter is busy with another instrument.", address=address)
            self._owner = number
        if self.dirty is not None:
            self.recover()

    def end_turn(self) -> None:
        with self._turn:
            self._owner = None
            self._turn.notify_all()

    def leave(self, number: int) -> None:
        if self._owner == number:
            self.end_turn()
        with _adapters_lock:
            self.users -= 1
            if self.users <= 0:
                _adapters.pop(self.key, None)
                self.link.close()

    def recover(self) -> None:
        """Selected device clear to who owes an answer, and proof that the adapter has said all it had to say."""
        if self.dirty is not None:
            self.link.write(b"++addr %d\n++clr\n" % self.dirty)
            self.dirty = None
        for wanted in (29, 30, 29):  # the adapter's own answers, told apart from what an instrument may say
            self.link.write(b"++addr %d\n++addr\n" % wanted)
            self._line(b"%d" % wanted)

    def asked(self, command: bytes) -> int:
        """The number with which the adapter answers one of its own commands."""
        self.link.write(command)
        text = self._line(None)
        if not text.isdigit():
            raise LinkLost(f"{self.link.address}: the adapter answered {text!r} to {command!r}.")
        return int(text)

    def _line(self, wanted: bytes | None) -> bytes:
        """The next line, or the next that is `wanted`."""
        deadline, held = self._clock.now() + _WAITS + 2.0, b""
        while self._clock.now() < deadline:
            held += self.link.read(deadline)
            *lines, held = held.split(b"\n")
            for line in lines:
                if wanted is None or line.strip().endswith(wanted):
                    return line.strip()
        raise LinkLost(
            f"{self.link.address}: no adapter with ++ commands answers here.",
            address=self.link.address,
            doing="open",
            next_step="Check its address and port (1234 is usual), and that no other program has it.",
        )


def _share(host: str, port: int, clock: Clock) -> _Adapter:
    with _adapters_lock:
        key = (host, port)
        adapter = _adapters.get(key)
        if adapter is None:
            adapter = _adapters[key] = _Adapter(key, clock)
        adapter.users += 1
        return adapter


def _whole(answer: bytes) -> bool:
    """True if an answer has come to its line feed; in a block of known length one is only a byte."""
    at = 0
    while True:
        feed = answer.find(b"\n", at)
        block = _BLOCK.search(answer, at, feed if feed >= 0 else len(answer))
        if block is None:
            return feed >= 0
        digits = answer[block.end() : block.end() + int(block[1])]
        if len(digits) < int(block[1]):
            return False
        at = block.end() + len(digits) + int(digits) if digits.isdigit() else block.end()
        if at > len(answer):
            return False
