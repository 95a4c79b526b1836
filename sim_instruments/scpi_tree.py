"""The table of commands an instrument knows, and how a header finds its entry.

Rules kept (SCPI-1999 volume 1, chapter 6): a keyword has a long and a short spelling and none between, and a table
spells both (`VOLTage`), since makers break any rule for shortening; a node in brackets may be left out; a numeric
suffix belongs to its keyword and defaults to 1; a unit without a leading colon starts where the one before it ended its
path; common commands leave the path alone.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

from .scpi_errors import ScpiError
from .scpi_values import short

_WORD = re.compile(r"(\[?):?([A-Z][A-Za-z0-9_]*)(?:\{(\d+)-(\d+)\})?:?(\]?)")


@dataclass(frozen=True, slots=True)
class Call:
    """One command as it was sent: parameters, numeric suffixes in order, and the words of the table it matched."""

    args: tuple[str, ...]
    suffixes: tuple[int, ...]
    words: tuple[str, ...]
    query: bool

    @property
    def channel(self) -> int:
        return self.suffixes[0]


@dataclass(frozen=True, slots=True)
class ScpiCommand:
    """A pattern such as `[SENSe:]VOLTage[:DC]:RANGe?` or `CHANnel{1-4}:SCALe`, and what it does.

    `least` and `most` parameters; `block` where one of them may be block data.
    """

    pattern: str
    work: Callable[[Call], object]
    least: int = 0
    most: int = 0
    block: bool = False


@dataclass(frozen=True, slots=True)
class _Word:
    text: str
    low: int | None
    high: int | None
    optional: bool


@dataclass(slots=True)
class _Branch:
    word: _Word | None = None
    children: dict[str, _Branch] = field(default_factory=dict)
    command: ScpiCommand | None = None
    query: ScpiCommand | None = None


def _words(pattern: str) -> list[_Word]:
    return [
        _Word(text, int(low) if low else None, int(high) if high else None, bool(opened and closed))
        for opened, text, low, high, closed in _WORD.findall(pattern)
    ]


def _spelled(words: list[_Word]) -> Iterator[list[_Word]]:
    """Every way to leave optional words out."""
    if not words:
        yield []
        return
    for rest in _spelled(words[1:]):
        yield [words[0], *rest]
        if words[0].optional:
            yield rest


@dataclass(frozen=True, slots=True)
class MatchedCommand:
    """A header's entry, its call without parameters, and the path for the next unit."""

    command: ScpiCommand
    suffixes: tuple[int, ...]
    words: tuple[str, ...]
    query: bool
    path: tuple[str, ...]


class CommandTree:
    """All commands of one instrument."""

    def __init__(self, commands: Iterable[ScpiCommand]) -> None:
        self._root = _Branch()
        self._common: dict[str, ScpiCommand] = {}
        for command in commands:
            self._add(command)

    def _add(self, command: ScpiCommand) -> None:
        if command.pattern.startswith("*"):
            self._common[command.pattern.upper()] = command
            return
        for words in _spelled(_words(command.pattern)):
            branch = self._root
            for word in words:
                child = branch.children.get(word.text.upper()) or _Branch(word)
                branch.children.setdefault(word.text.upper(), child)
                branch.children.setdefault(short(word.text), child)
                branch = child
            if command.pattern.endswith("?"):
                branch.query = command
            else:
                branch.command = command

    def find(self, header: str, path: tuple[str, ...] = ()) -> MatchedCommand:
        """The entry for `header` after a unit that left `path`. Raises ScpiError -113 or -114."""
        query = header.endswith("?")
        if header.startswith("*"):
            if header.upper() not in self._common:
                raise ScpiError(-113)
            return MatchedCommand(self._common[header.upper()], (), (header.upper().rstrip("?"),), query, path)
        start = () if header.startswith(":") else path
        typed = (*start, *header.strip(":?").split(":"))
        branch, suffixes, words = self._root, [], []
        for keyword in typed:
            branch, suffix = self._step(branch, keyword)
            assert branch.word is not None
            words.append(branch.word.text + ("" if suffix is None else str(suffix)))
            suffixes += [] if suffix is None else [suffix]
        command = branch.query if query else branch.command
        if command is None:
            raise ScpiError(-113)
        return MatchedCommand(command, tuple(suffixes), tuple(words), query, typed[:-1])

    @staticmethod
    def _step(branch: _Branch, keyword: str) -> tuple[_Branch, int | None]:
        keyword = keyword.upper()
        bare = keyword.rstrip("0123456789")
        child = branch.children.get(keyword)
        digits = ""
        if child is None:
            child, digits = branch.children.get(bare), keyword[len(bare) :]
        if child is None or child.word is None:
            raise ScpiError(-113)
        low, high = child.word.low, child.word.high
        if low is None or high is None:
            if digits:
                raise ScpiError(-114)
            return child, None
        suffix = int(digits[:9] or 1)
        if not low <= suffix <= high:
            raise ScpiError(-114)
        return child, suffix
