"""What a bar is: a figure of a source, held against a limit.

A figure is a number, or cells that must all hold. Counts beside it are shown, each with the least that the bar asks
for: with less, the bar is met so far and no more.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

LEFT_OUT = "left out of the short size: --full"


@dataclass(frozen=True, slots=True)
class Source:
    """`short` and `full` are commands; `patience` in seconds; `left_out` says why there is no short one."""

    short: str
    full: str
    patience: float = 600.0
    left_out: str = LEFT_OUT
    takes_coverage: bool = False


@dataclass(frozen=True, slots=True)
class Limit:
    words: str
    holds: Callable[[float], bool]


def at_most(limit: float, unit: str = "") -> Limit:
    return Limit(f"at most {limit:g}{unit}", lambda value: value <= limit)


def at_least(limit: float, unit: str = "") -> Limit:
    return Limit(f"at least {limit:,g}{unit}", lambda value: value >= limit)


def below(limit: float, unit: str = "") -> Limit:
    return Limit(f"below {limit:g}{unit}", lambda value: value < limit)


def between(low: float, high: float, unit: str = "") -> Limit:
    return Limit(f"{low:g} to {high:g}{unit}", lambda value: low <= value <= high)


NONE = Limit("none", lambda value: value == 0)
ALL_PASS = Limit("every test passes", lambda failed: failed == 0)


@dataclass(frozen=True, slots=True)
class Bar:
    what: str
    source: str
    figure: str
    limit: Limit
    unit: str = ""
    counts: tuple[tuple[str, float], ...] = ()


def passes(what: str, source: str, **asked: float) -> Bar:
    """Every test passes, and did as much as is asked; a name of two words is written with an underscore."""
    counts = tuple((name.replace("_", " "), number) for name, number in asked.items())
    return Bar(what, source, "failed", ALL_PASS, " failed", (("passed", 1), ("skipped", 0), *counts))
