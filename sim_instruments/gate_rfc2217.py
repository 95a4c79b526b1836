"""A double with a serial port behind a network server that speaks RFC 2217; bytes in, bytes out.

Sources: RFC 854 (commands, doubled 255), RFC 856 (binary), RFC 2217 (option 44; each command of the client is answered
by its number plus 100 with the value in force).
"""

from __future__ import annotations

from .interfaces import Double

_IAC, _DONT, _DO, _WONT, _WILL, _SB, _SE = 255, 254, 253, 252, 251, 250, 240
_KNOWN = (0, 1, 3, 44)  # binary, echo, suppress go-ahead, port control


class Rfc2217Gate:
    """Takes the telnet part off what comes and puts it on what goes."""

    def __init__(self, cable: Double) -> None:
        self._cable = cable
        self.forget()

    def forget(self) -> None:
        """The connection is gone."""
        self._in = b""
        self._out = b""
        self._agreed: set[tuple[int, int]] = set()
        self.line: dict[int, int] = {1: 9600, 2: 8, 3: 1, 4: 1}  # speed, bits, parity, stop bits as they were set

    @property
    def plugged(self) -> bool:
        return self._cable.plugged

    @plugged.setter
    def plugged(self, value: bool) -> None:
        self._cable.plugged = value

    def receive(self, data: bytes) -> None:
        self._in += data
        plain = b""
        while self._in:
            at = self._in.find(_IAC)
            if at:
                plain, self._in = plain + (self._in if at < 0 else self._in[:at]), b"" if at < 0 else self._in[at:]
                continue
            used = self._command()
            if not used:
                break
            if self._in[1] == _IAC:
                plain += b"\xff"
            self._in = self._in[used:]
        if plain:
            self._cable.receive(plain)

    def due(self) -> float | None:
        return 0.0 if self._out else self._cable.due()

    def take(self) -> bytes:
        data, self._out = self._out, b""
        return data + self._cable.take().replace(b"\xff", b"\xff\xff")

    def _command(self) -> int:
        """Carry out the command at the front; how long it is, 0 if it is not whole."""
        if len(self._in) < 2:
            return 0
        kind = self._in[1]
        if kind in (_WILL, _WONT, _DO, _DONT):
            if len(self._in) < 3:
                return 0
            self._agree(kind, self._in[2])
            return 3
        if kind != _SB:
            return 2
        end = self._in.find(bytes([_IAC, _SE]))
        if end < 0:
            return 0
        self._port_control(self._in[2:end].replace(b"\xff\xff", b"\xff"))
        return end + 2

    def _agree(self, kind: int, option: int) -> None:
        if (kind, option) in self._agreed:
            return
        self._agreed.add((kind, option))
        answers = {_WILL: (_DO, _DONT), _DO: (_WILL, _WONT)}
        if kind in answers:
            self._out += bytes([_IAC, answers[kind][option not in _KNOWN], option])

    def _port_control(self, body: bytes) -> None:
        if len(body) < 2 or body[0] != 44:
            return
        number, value = body[1], body[2:]
        if number in self.line and value:
            asked = int.from_bytes(value, "big")
            self.line[number] = asked or self.line[number]
            value = self.line[number].to_bytes(len(value), "big")
        self._out += bytes([_IAC, _SB, 44, number + 100]) + value.replace(b"\xff", b"\xff\xff") + bytes([_IAC, _SE])
