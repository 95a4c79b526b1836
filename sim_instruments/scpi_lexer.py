"""From the bytes of a program message to units, headers and parameters (IEEE 488.2 chapter 7).

Rules kept: LF ends a message, except inside a definite block; CR and every other control character are white space;
`;` parts units and `,` parts parameters, neither inside quotes, brackets or a block. Text is Latin-1, so that one
character is one byte and a block survives.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator

from .scpi_errors import ScpiError

_HEADER = re.compile(r"\*[A-Za-z][A-Za-z0-9_]*\??|:?[A-Za-z][A-Za-z0-9_]*(?::[A-Za-z][A-Za-z0-9_]*)*\??")
_LONGEST_MNEMONIC = 12
WHITE = "".join(map(chr, range(0x21)))


def block_end(text: str, start: int) -> int | None:
    """Where the definite block at `start` ends; None if there is none. May lie beyond the end of `text`."""
    digits = text[start + 1 : start + 2]
    if text[start : start + 1] != "#" or not "1" <= digits <= "9":
        return None
    length = text[start + 2 : start + 2 + int(digits)]
    if len(length) < int(digits) or not (length.isascii() and length.isdigit()):
        return None
    return start + 2 + int(digits) + int(length)


def _string_end(text: str, start: int) -> int:
    """Just past the closing quote. A doubled quote reads as two strings, which parts nothing."""
    end = text.find(text[start], start + 1)
    return len(text) if end < 0 else end + 1


def split(text: str, mark: str) -> Iterator[str]:
    """The parts of `text` between marks that stand outside quotes, brackets and blocks."""
    begin = index = depth = 0
    while index < len(text):
        char = text[index]
        if char in "\"'":
            index = _string_end(text, index)
            continue
        if char == "#" and (end := block_end(text, index)):
            index = end
            continue
        if char == mark and depth == 0:
            yield text[begin:index]
            begin = index + 1
        depth = max(0, depth + (char == "(") - (char == ")"))
        index += 1
    yield text[begin:]


def parse_unit(unit: str) -> tuple[str, tuple[str, ...]]:
    """Header and parameters of one unit. Raises ScpiError of the -10x and -11x classes."""
    unit = unit.lstrip(WHITE)
    found = _HEADER.match(unit)
    if not found:
        raise ScpiError(-101 if unit[:1] > "~" or unit[:1] in "!$%&@[\\]^`{|}~" else -102)
    header, rest = found.group(), unit[found.end() :]
    if any(len(word) > _LONGEST_MNEMONIC for word in re.split(r"[:*?]", header)):
        raise ScpiError(-112)
    if rest and rest[0] not in WHITE:
        raise ScpiError(-101 if rest[0] > "~" else -111)
    rest = rest.lstrip(WHITE)
    return header, tuple(map(_trimmed, split(rest, ","))) if rest else ()


def _trimmed(parameter: str) -> str:
    """Without the white space round it, which at the end of a block is content."""
    parameter = parameter.lstrip(WHITE)
    trimmed = parameter if block_end(parameter, 0) == len(parameter) else parameter.rstrip(WHITE)
    if not trimmed:
        raise ScpiError(-102)
    return trimmed


class MessageFramer:
    """Cuts a byte stream into program messages; never holds more than `limit` bytes.

    `takes_block(header)` says whether a command may carry block data; elsewhere `#` is nothing special, so that a
    stray one cannot swallow the messages after it.
    """

    def __init__(self, limit: int, takes_block: Callable[[str], bool]) -> None:
        self._limit = limit
        self._takes_block = takes_block
        self._held = bytearray()
        self._searched = 0
        self._skipping = False

    def feed(self, data: bytes) -> list[str | None]:
        """Messages completed by `data`, without their LF; None for one that was too long and is lost."""
        self._held += data
        messages: list[str | None] = []
        while (end := self._held.find(b"\n", self._searched)) >= 0:
            text = self._held[:end].decode("latin-1")
            if not self._skipping and (more := self._unfinished_block(text)) and more <= self._limit:
                self._searched = more
                continue
            if not self._skipping:
                messages.append(text if len(text) <= self._limit else None)
            del self._held[: end + 1]
            self._searched, self._skipping = 0, False
        self._searched = max(self._searched, len(self._held))
        if len(self._held) > self._limit:
            if not self._skipping:
                messages.append(None)
            self._held.clear()
            self._searched, self._skipping = 0, True
        return messages

    def clear(self) -> None:
        self._held.clear()
        self._searched, self._skipping = 0, False

    def _unfinished_block(self, text: str) -> int | None:
        """The end of a block that reaches past `text`."""
        for unit in split(text, ";") if "#" in text else ():
            at = unit.find("#")
            end = block_end(unit, at) if at >= 0 else None
            if end is not None and end > len(unit) and self._takes_block(unit[:at].strip(WHITE)):
                return len(text) - len(unit) + end
        return None
