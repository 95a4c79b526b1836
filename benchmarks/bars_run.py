"""From a bar and a command to a row: run the command once, take its figures, hold each bar against them.

A command is a benchmark (its figures are the JSON object it prints), a run of tests (figures: passed, failed, skipped,
and the least of whatever the tests recorded as a property), or a script (figure: its exit code).
"""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
import tempfile
import time
import xml.etree.ElementTree as ElementTree
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from bars_model import Bar, Source
from figures import Figure, Figures, last_object

ROOT = Path(__file__).parents[1]
MET, SO_FAR, NOT_MET, NOT_MEASURED = "met", "met so far", "NOT MET", "not measured"
FEW = 3  # cells that are shown one by one


class Unmeasured(Exception):
    """Says why there is no figure."""


@dataclass(frozen=True, slots=True)
class Row:
    what: str
    figure: str
    bar: str
    verdict: str
    made_by: str
    seconds: float

    def as_dict(self) -> dict[str, object]:
        return asdict(self)


def measured(bars: Sequence[Bar], source: Source, command: str) -> Iterator[Row]:
    """A row for each bar of one source; the command runs once, whatever becomes of it."""
    began = time.monotonic()
    try:
        if not command:
            raise Unmeasured(source.left_out)
        found, why = figures_of(command, source.patience), ""
    except Unmeasured as error:
        found, why = {}, str(error)
    took = time.monotonic() - began
    for bar in bars:
        verdict, figure = (NOT_MEASURED, why) if why else judged(bar, found)
        yield Row(bar.what, figure, bar.limit.words, verdict, command, took)


def judged(bar: Bar, found: Figures) -> tuple[str, str]:
    """(verdict, the figure in words)."""
    value = found.get(bar.figure)
    if value is None or (isinstance(value, Mapping) and not value):
        return NOT_MEASURED, f"the run gave no figure '{bar.figure}'"
    numbers = list(value.values()) if isinstance(value, Mapping) else [value]
    if any(number != number for number in numbers):
        return NOT_MEASURED, "the run gave something that is no number"
    if found.get("tests") == 0:
        return NOT_MEASURED, f"{found.get('skipped', 0):g} tests skipped: what they drive is not installed here"
    words = [in_words(bar, value), *(counted(name, found, asked) for name, asked in bar.counts if name in found)]
    if not all(map(bar.limit.holds, numbers)):
        return NOT_MET, "; ".join(words)
    enough = all(least_of(found.get(name, 0.0)) >= asked for name, asked in bar.counts)
    return MET if enough else SO_FAR, "; ".join(words)


def in_words(bar: Bar, value: Figure) -> str:
    """A number; a few cells one by one; of many the least and the most, and those that miss the bar by name."""
    if not isinstance(value, Mapping):
        return f"{number(value)}{bar.unit}"
    missed = [name for name, cell in value.items() if not bar.limit.holds(cell)]
    if len(value) <= FEW:
        return ", ".join(f"{name} {number(cell)}{bar.unit}" for name, cell in value.items())
    most = f"{number(min(value.values()))} to {number(max(value.values()))}{bar.unit} in {len(value)} cells"
    shown = "; ".join(f"{name} {number(value[name])}" for name in missed[: 2 * FEW])
    more = f" and {len(missed) - 2 * FEW} more" if len(missed) > 2 * FEW else ""
    return f"{most}; {len(missed)} missed: {shown}{more}" if missed else most


def counted(name: str, found: Figures, asked: float) -> str:
    """A figure beside the one that is judged; where the bar asks for more than there is, how many it asks for."""
    value = found[name]
    if isinstance(value, Mapping):
        return f"{name} {number(min(value.values()))} to {number(max(value.values()))}"
    return f"{name} {number(value)}" + (f" of {number(asked)} asked" if value < asked else "")


def least_of(value: Figure) -> float:
    return min(value.values()) if isinstance(value, Mapping) else value


def number(value: float) -> str:
    """Three figures, or all of a whole number."""
    return f"{value:,.0f}" if abs(value) >= 1000.0 or value == round(value) else f"{value:.3g}"


def figures_of(command: str, patience: float) -> Figures:
    """Run it. Raises Unmeasured with the reason when it gives no figures."""
    words = shlex.split(command)
    environment = dict(os.environ)
    while "=" in words[0]:
        name, _, value = words.pop(0).partition("=")
        environment[name] = value
    with tempfile.TemporaryDirectory() as folder:
        results = Path(folder) / "junit.xml"
        ran = run(words_for(words, results), environment, patience)
        if words[0] == "pytest":
            if not results.is_file():
                raise Unmeasured(last_words(ran))
            return read_junit(results.read_text(encoding="utf-8"))
    if words[0] != "python":
        return {"exit code": ran.returncode}
    try:
        return last_object(ran.stdout)
    except ValueError:
        raise Unmeasured(last_words(ran)) from None


def words_for(words: Sequence[str], results: Path) -> list[str]:
    """The command as this interpreter runs it."""
    if words[0] == "python":
        return [sys.executable, *words[1:], "--json"]
    if words[0] == "pytest":
        return [sys.executable, "-m", "pytest", "-q", f"--junitxml={results}", "-o", "junit_family=xunit1", *words[1:]]
    return list(words)


def run(words: Sequence[str], environment: Mapping[str, str], patience: float) -> subprocess.CompletedProcess[str]:
    try:
        return subprocess.run(
            words, cwd=ROOT, env=environment, timeout=patience, check=False, capture_output=True, text=True,
            stdin=subprocess.DEVNULL, errors="replace",
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        raise Unmeasured(f"not done after {patience:.0f} s") from None
    except OSError as error:
        raise Unmeasured(str(error)) from None


def last_words(ran: subprocess.CompletedProcess[str]) -> str:
    lines = [line.strip() for line in (ran.stderr or ran.stdout).splitlines() if line.strip()]
    return f"exit code {ran.returncode}: {lines[-1] if lines else 'nothing said'}"


def read_junit(junit: str) -> Figures:
    """Counts of a run of tests, those that failed by name, and the least of each number that its tests recorded."""
    cases = list(ElementTree.fromstring(junit).iter("testcase"))
    bad = {case.get("name", "?"): 1.0 for case in cases if {"failure", "error"} & {part.tag for part in case}}
    skipped = sum(case.find("skipped") is not None for case in cases)
    recorded: dict[str, float] = {}
    for found in (it for case in cases for it in case.iter("property")):
        value = float(found.get("value", "nan"))
        name = found.get("name", "")
        recorded[name] = min(recorded.get(name, value), value)
    done = len(cases) - skipped
    return {"tests": done, "passed": done - len(bad), "failed": bad or 0.0, "skipped": skipped, **recorded}
