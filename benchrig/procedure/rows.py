"""What a procedure held against a bench shows, row by row."""

from __future__ import annotations

from dataclasses import dataclass

from .step import Step

LEVELS = ("ok", "note", "warn", "refuse")


@dataclass(frozen=True, slots=True)
class PreflightRow:
    """One thing that was looked at."""

    step: str
    line: int
    what: str
    level: str
    words: str


@dataclass(frozen=True, slots=True)
class PreflightReport:
    """All rows, in the order of the steps. `worst` is the highest of `LEVELS` in it."""

    file: str
    rows: tuple[PreflightRow, ...]

    @property
    def worst(self) -> str:
        return max((row.level for row in self.rows), key=LEVELS.index, default="ok")


class StepRows:
    """Rows of one step, as they are found."""

    def __init__(self, step: Step, rule: str) -> None:
        self.step = step
        self.rule = rule
        self.rows: list[PreflightRow] = []

    def add(self, what: str, level: str, words: str) -> None:
        self.rows.append(PreflightRow(self.step.id, self.step.line, what, level, words))
