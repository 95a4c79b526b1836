"""What every benchmark here shares: options by name, lines for people, and with --json one object for programs.

A figure is a number, or a table of numbers by cell. With --json the lines are left out and the object is the last line
of the output, so that whoever reads it need not care what a library printed before.
"""

from __future__ import annotations

import argparse
import json
import math
import resource
import statistics
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TypeAlias

Figure: TypeAlias = float | Mapping[str, float]
Figures: TypeAlias = Mapping[str, Figure]


def options(doc: str | None, **counts: float | str) -> argparse.Namespace:
    """The command line: an option for each of `counts`, of its default's type, and --json."""
    parser = argparse.ArgumentParser(description=doc, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name, default in counts.items():
        parser.add_argument(f"--{name}", type=type(default), default=default, help=f"{default!r} if not said")
    parser.add_argument("--json", action="store_true", help="the figures as one JSON object, and nothing else")
    return parser.parse_args()


class Told:
    """Where a benchmark speaks to."""

    def __init__(self, as_json: bool) -> None:
        self._as_json = as_json

    def line(self, text: str = "") -> None:
        """For people, as it comes."""
        if not self._as_json:
            print(text, flush=True)

    def end(self, figures: Figures) -> None:
        """For programs, once."""
        if self._as_json:
            print(json.dumps(figures))


def last_object(output: str) -> Figures:
    """The figures of a benchmark's output. ValueError when there are none."""
    for line in reversed(output.splitlines()):
        if line.startswith("{"):
            found = json.loads(line)
            return {str(key): value for key, value in found.items()}
    raise ValueError("no figures in what it printed")


def resident() -> float:
    """Megabytes that this process holds now."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 1e6


def percentile(values: Sequence[float], share: float) -> float:
    """The value that `share` of them do not pass; not a number for none."""
    return sorted(values)[min(len(values) - 1, int(share * len(values)))] if values else math.nan


def median(values: Sequence[float]) -> float:
    """Not a number for none."""
    return statistics.median(values) if values else math.nan
