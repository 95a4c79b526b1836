"""Doubles on GPIB behind a controller adapter that takes `++` commands; bytes in, bytes out.

Sources: the command set that makers of such adapters publish: lines end CR or LF; ESC before CR, LF, ESC or + makes
them data; `++read eoi` gives what the addressed instrument says until EOI, or nothing after `++read_tmo_ms`.
"""

from __future__ import annotations

from collections.abc import Mapping

from benchrig.clock import Clock

from .gates import Mailbox

_MOST = 1 << 16
_KEPT = ("addr", "auto", "eoi", "eos", "eot_char", "eot_enable", "mode", "read_tmo_ms", "savecfg")


class PlusPlusGate:
    """One adapter; `boxes` by GPIB address."""

    def __init__(self, boxes: Mapping[int, Mailbox], clock: Clock) -> None:
        self._boxes = boxes
        self._clock = clock
        self.forget()

    def forget(self) -> None:
        """The connection is gone; settings go back to how the adapter wakes up."""
        self._kept = {"addr": 1, "auto": 0, "eoi": 1, "eos": 0, "eot_char": 0, "eot_enable": 0, "mode": 1}
        self._kept |= {"read_tmo_ms": 500, "savecfg": 0}
        self._line = b""
        self._escaped = False
        self._raw = True
        self._lines: list[tuple[bytes, bool]] = []
        self._until: float | None = None
        self._out = b""

    @property
    def plugged(self) -> bool:
        return all(box.plugged for box in self._boxes.values())

    @plugged.setter
    def plugged(self, value: bool) -> None:
        for box in self._boxes.values():
            box.plugged = value

    def receive(self, data: bytes) -> None:
        for byte in data:
            if self._escaped:
                self._line += bytes([byte])
                self._escaped = False
            elif byte == 0x1B:
                self._raw = self._raw and bool(self._line)
                self._escaped = True
            elif byte in b"\r\n":
                if self._line:
                    self._lines.append((self._line, self._raw and self._line.startswith(b"++")))
                self._line, self._raw = b"", True
            else:
                self._line += bytes([byte])
        self._work()

    def due(self) -> float | None:
        if self._out or (self._lines and self._until is None):
            return self._clock.now()
        moments = [box.due() for box in self._boxes.values()] + [self._until]
        return min((it for it in moments if it is not None), default=None)

    def take(self) -> bytes:
        self._work()
        data, self._out = self._out, b""
        return data

    def _work(self) -> None:
        """One line after the other; a read holds those behind it."""
        while True:
            if self._until is not None and not self._read():
                return
            if not self._lines:
                return
            line, command = self._lines.pop(0)
            if command:
                self._command(line[2:].decode("latin-1").split())
            elif box := self._boxes.get(self._kept["addr"]):
                box.hear(line, True)

    def _read(self) -> bool:
        """True once the read that is running has ended."""
        box = self._boxes.get(self._kept["addr"])
        data, end = box.take(_MOST) if box else (b"", False)
        self._out += data
        if end or (not data and self._clock.now() >= (self._until or 0.0)):
            self._until = None
            return True
        return bool(data) and self._read()

    def _command(self, words: list[str]) -> None:
        name, values = (words[0].lower() if words else ""), words[1:]
        if name in _KEPT:
            if values and values[0].isdigit():
                self._kept[name] = int(values[0])
            elif not values:
                self._out += b"%d\r\n" % self._kept[name]
        elif name == "read":
            self._until = self._clock.now() + self._kept["read_tmo_ms"] / 1000
        elif name == "clr":
            if box := self._boxes.get(self._kept["addr"]):
                box.clear()
        elif name == "spoll":
            number = int(values[0]) if values else self._kept["addr"]
            box = self._boxes.get(number)
            self._out += b"%d\r\n" % (0x10 if box and box.waiting else 0)
        elif name == "ver":
            self._out += b"GPIB controller, simulated\r\n"
        elif name not in ("ifc", "loc", "llo", "trg", "rst"):
            self._out += b"Unrecognized command\r\n"
