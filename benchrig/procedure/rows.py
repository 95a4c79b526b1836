"""What a procedure held against a bench shows, row by row."""

from __future__ import annotations

from dataclasses import dataclass

from .step import Step

LEVELS = ("ok", "note", "warn", "refuse")


@dataclass(frozen=True, slots=True)
class Row:
    """One thing that was looked at."""

    step: str
    line: int
    what: str
    level: str
    words: str


@dataclass(frozen=True, slots=True)
class Report:
    """All rows, in the order of the steps. `worst` is the highest of `LEVELS` in it."""

    file: str
    rows: tuple[Row, ...]

    @property
    def worst(self) -> str:
        return max((row.level for row in self.rows), key=LEVELS.index, default="ok")


class Finding:
    """Rows of one step, as they are found."""

    def __init__(self, step: Step, rule: str) -> None:
        self.step = step
        self.rule = rule
        self.rows: list[Row] = []

    def add(self, what: str, level: str, words: str) -> None:
        self.rows.append(Row(self.step.id, self.step.line, what, level, words))
