"""Error numbers of SCPI, their texts, and the queue they wait in.

Rules kept (SCPI-1999 volume 2, chapter 21): the oldest entry comes out first; when the queue is full its newest entry
becomes -350 and later ones are lost; a number's class says which bit of the standard event register it sets.
"""

from __future__ import annotations

from collections import deque

TEXTS: dict[int, str] = {
    0: "No error",
    -100: "Command error", -101: "Invalid character", -102: "Syntax error", -103: "Invalid separator",
    -104: "Data type error", -105: "GET not allowed", -108: "Parameter not allowed", -109: "Missing parameter",
    -110: "Command header error", -111: "Header separator error", -112: "Program mnemonic too long",
    -113: "Undefined header", -114: "Header suffix out of range", -115: "Unexpected number of parameters",
    -120: "Numeric data error", -121: "Invalid character in number", -123: "Exponent too large",
    -124: "Too many digits", -128: "Numeric data not allowed", -130: "Suffix error", -131: "Invalid suffix",
    -134: "Suffix too long", -138: "Suffix not allowed", -140: "Character data error",
    -141: "Invalid character data", -144: "Character data too long", -148: "Character data not allowed",
    -150: "String data error", -151: "Invalid string data", -158: "String data not allowed",
    -160: "Block data error", -161: "Invalid block data", -168: "Block data not allowed",
    -170: "Expression error", -171: "Invalid expression", -178: "Expression data not allowed",
    -200: "Execution error", -203: "Command protected", -210: "Trigger error", -211: "Trigger ignored",
    -213: "Init ignored", -214: "Trigger deadlock", -220: "Parameter error", -221: "Settings conflict",
    -222: "Data out of range", -223: "Too much data", -224: "Illegal parameter value", -225: "Out of memory",
    -230: "Data corrupt or stale", -240: "Hardware error", -241: "Hardware missing",
    -300: "Device-specific error", -310: "System error", -330: "Self-test failed", -350: "Queue overflow",
    -360: "Communication error", -361: "Parity error in program message", -363: "Input buffer overrun",
    -400: "Query error", -410: "Query INTERRUPTED", -420: "Query UNTERMINATED", -430: "Query DEADLOCKED",
    -440: "Query UNTERMINATED after indefinite response",
    550: "Command not allowed in local",
    2244: "Source waveform is not active",
}  # fmt: skip


class ScpiError(Exception):
    """One error event: a number of `TEXTS` and, where it helps, what it was about."""

    def __init__(self, number: int, detail: str = "") -> None:
        super().__init__(number, detail)
        self.number = number
        self.detail = detail

    @property
    def text(self) -> str:
        """Quoted as it stands in an answer; a quote inside is doubled."""
        words = TEXTS[self.number] + (f";{self.detail}" if self.detail else "")
        return '"' + words.replace('"', '""') + '"'


def event_bit(number: int) -> int:
    """The bit of the standard event register that an error sets (IEEE 488.2 section 11.5.1).

    Positive, instrument-specific numbers count as device-dependent.
    """
    if number < -499:
        return {-5: 0x80, -6: 0x40, -7: 0x02, -8: 0x01}.get(-(-number // 100), 0)
    return {1: 0x20, 2: 0x10, 4: 0x04}.get(-number // 100, 0x08)


class ErrorQueue:
    """First in, first out, at most `depth` entries."""

    def __init__(self, depth: int) -> None:
        self._depth = depth
        self._entries: deque[ScpiError] = deque()

    def push(self, error: ScpiError) -> None:
        if len(self._entries) < self._depth:
            self._entries.append(error)
        else:
            self._entries[-1] = ScpiError(-350)

    def pop(self) -> ScpiError:
        return self._entries.popleft() if self._entries else ScpiError(0)

    def clear(self) -> None:
        self._entries.clear()

    def __len__(self) -> int:
        return len(self._entries)
