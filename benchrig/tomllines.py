"""Where every key of a TOML text stands: a dotted path to its 1-based line.

Reads only texts that `tomllib` has accepted already, so it may trust the grammar and needs no errors of its own.
Knows bare, quoted and dotted keys, tables, arrays of tables, inline tables, arrays over several lines, and all
four kinds of string. Grammar: TOML 1.0.0 (toml.io).
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Callable

KeyPath = tuple[str | int, ...]
_Resolve = Callable[[list[str]], KeyPath]
_Item = Callable[[int], None]

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_ESCAPE = re.compile(r'\\(?:u([0-9A-Fa-f]{4})|U([0-9A-Fa-f]{8})|([btnfr"\\]))')
_SIMPLE = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\"}
_STRING = re.compile(
    r'"""(?:[^"\\]|\\.|"{1,2}(?!"))*"{3,5}'
    r"|'''(?:[^']|'{1,2}(?!'))*'{3,5}"
    r'|"(?:[^"\\\n]|\\.)*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)
_PLAIN = re.compile(r"[^,\]}\n#]*")


def key_lines(text: str) -> dict[KeyPath, int]:
    """Every path of `text` with the line it is first named on. List elements count from 0."""
    scan = _Scan(text)
    scan.document()
    return scan.lines


class _Scan:
    """One pass over the text; `at` is where it stands."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[KeyPath, int] = {}
        self._starts = [0, *(m.end() for m in re.finditer("\n", text))]
        self._elements: dict[KeyPath, int] = {}  # arrays of tables: how many elements so far

    def document(self) -> None:
        table: KeyPath = ()
        while self._next_thing():
            if self.text.startswith("[[", self.at):
                table = self._header(2, self._new_element)
            elif self.text[self.at] == "[":
                table = self._header(1, self._same_element)
            else:
                self._pair(table)

    def _next_thing(self) -> bool:
        match = _BLANK.match(self.text, self.at)
        self.at = match.end() if match else self.at
        return self.at < len(self.text)

    def _note(self, path: KeyPath, position: int) -> None:
        line = bisect_right(self._starts, position)
        for length in range(1, len(path) + 1):
            self.lines.setdefault(path[:length], line)

    def _header(self, brackets: int, resolve: _Resolve) -> KeyPath:
        start = self.at
        self.at += brackets
        path = resolve(self._keys())
        self._next_thing()
        self.at += brackets
        self._note(path, start)
        return path

    def _same_element(self, keys: list[str]) -> KeyPath:
        """`[a.b]` inside the newest element of every array of tables on its way."""
        path: KeyPath = ()
        for key in keys:
            path += (key,)
            if path in self._elements:
                path += (self._elements[path] - 1,)
        return path

    def _new_element(self, keys: list[str]) -> KeyPath:
        path = (*self._same_element(keys[:-1]), keys[-1])
        self._elements[path] = self._elements.get(path, 0) + 1
        return (*path, self._elements[path] - 1)

    def _keys(self) -> list[str]:
        keys = [self._key()]
        while self._next_thing() and self.text[self.at] == ".":
            self.at += 1
            keys.append(self._key())
        return keys

    def _key(self) -> str:
        self._next_thing()
        bare = _BARE_KEY.match(self.text, self.at)
        if bare:
            self.at = bare.end()
            return bare.group()
        quoted = self._skip(_STRING)
        return quoted[1:-1] if quoted[0] == "'" else _ESCAPE.sub(_unescape, quoted[1:-1])

    def _skip(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self.text, self.at)
        assert match, "tomllib has accepted this text"
        self.at = match.end()
        return match.group()

    def _pair(self, table: KeyPath) -> None:
        start = self.at
        path = (*table, *self._keys())
        self._note(path, start)
        self._next_thing()
        self.at += 1  # the equals sign
        self._next_thing()
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        first = self.text[self.at]
        if first == "{":
            self._between("}", lambda _: self._pair(path))
        elif first == "[":
            self._between("]", lambda index: self._element((*path, index)))
        else:
            self._skip(_STRING if first in "\"'" else _PLAIN)

    def _element(self, path: KeyPath) -> None:
        self._note(path, self.at)
        self._value(path)

    def _between(self, closing: str, item: _Item) -> None:
        self.at += 1
        index = 0
        while self._next_thing() and self.text[self.at] != closing:
            item(index)
            index += 1
            self._next_thing()
            if self.text[self.at] == ",":
                self.at += 1
        self.at += 1


def _unescape(match: re.Match[str]) -> str:
    code = match.group(1) or match.group(2)
    return chr(int(code, 16)) if code else _SIMPLE[match.group(3)]
