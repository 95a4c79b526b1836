"""Mistakes in the meaning of a file, each noted with its place, so that a person sees all of them at once.

What is built after a mistake is never used: the reader raises.
"""

from __future__ import annotations

from ..errors import Mistake
from ..tomlfile import KeyPath, Lines


class Notes:
    """Mistakes found so far in one file."""

    def __init__(self, lines: Lines) -> None:
        self._lines = lines
        self.mistakes: list[Mistake] = []

    def add(self, path: KeyPath, problem: str, cure: str = "") -> None:
        self.mistakes.append(self._lines.mistake(path, problem, cure))

    def line(self, path: KeyPath) -> int:
        return self._lines.line(*path)
