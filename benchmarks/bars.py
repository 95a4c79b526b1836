"""Every bar that the project has set itself, measured now: what, figure, bar, met or not, made by, seconds.

    python benchmarks/bars.py                    # short counts, a quarter of an hour on two quiet cores
    python benchmarks/bars.py --full             # the counts that the bars ask for: some hours
    python benchmarks/bars.py --full --go-on     # takes a run up again that was broken off: what it measured stands
    python benchmarks/bars.py --only wiper       # the bars with that word in what they say or in what makes them
    python benchmarks/bars.py --markdown FILE    # the table once more, for a page

Nothing is known here beforehand: each figure comes from a benchmark or from tests that are run for it, one after the
other, and stands with its count. NOT MET is said as plainly as met; a bar that holds on fewer than it asks for is met
so far; what could not be measured says why. Speeds and latencies are of this machine with whatever else it does
meanwhile: its load is told. The exit code is 0 when every bar of this size was measured, met or not, else 1.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from bars_model import Bar, Source
from bars_run import MET, NOT_MEASURED, NOT_MET, SO_FAR, Row, measured
from bars_sources import SOURCES
from bars_table import BARS
from rich.console import Console
from rich.table import Table

HEADS = ("what", "figure", "bar", "verdict", "made by", "s")
CACHED = Path(tempfile.gettempdir()) / "benchrig-bars.json"


def chosen(word: str) -> list[Bar]:
    """Bars with the word in what they say, or in the command that makes their figure."""
    word = word.lower()
    return [bar for bar in BARS if word in f"{bar.what} {SOURCES[bar.source].full} {SOURCES[bar.source].short}".lower()]


def in_order(row: Row) -> int:
    """Where it stands in the table."""
    return next(place for place, bar in enumerate(BARS) if bar.what == row.what)


def command_of(source: Source, full: bool, coverage: str) -> str:
    """What is run; empty for what this size leaves out."""
    if source.takes_coverage and coverage:
        return f"{source.full} --data {coverage}"
    return source.full if full else source.short


def cells(row: Row) -> tuple[str, ...]:
    return row.what, row.figure, row.bar, row.verdict, row.made_by, f"{row.seconds:.0f}"


def markdown(rows: Sequence[Row], caption: str) -> str:
    lines = [f"| {' | '.join(HEADS)} |", "|---" * len(HEADS) + "|"]
    for row in rows:
        what, figure, bar, verdict, made_by, seconds = (cell.replace("|", "\\|") for cell in cells(row))
        lines.append(f"| {what} | {figure} | {bar} | {verdict} | {f'`{made_by}`' if made_by else ''} | {seconds} |")
    return "\n".join([*lines, "", caption, ""])


def summary(rows: Sequence[Row], size: str, load: Sequence[float]) -> str:
    """Counts, and what the figures have to be read with."""
    count = {verdict: sum(row.verdict == verdict for row in rows) for verdict in (MET, SO_FAR, NOT_MET, NOT_MEASURED)}
    counts = ", ".join(f"{number} {verdict}" for verdict, number in count.items())
    loads = " to ".join(f"{it:.1f}" for it in load)
    return f"{len(rows)} bars: {counts}. {size.capitalize()} counts, {os.cpu_count()} cores, load {loads}."


def save(rows: Sequence[Row], size: str, caption: str, file: Path, page: Path | None) -> None:
    """What there is so far, for whoever cannot wait."""
    found = {"size": size, "caption": caption, "rows": [row.as_dict() for row in rows]}
    file.write_text(json.dumps(found, indent=1) + "\n")
    if page is not None:
        page.write_text(markdown(rows, caption))


def saved(file: Path, size: str) -> list[Row]:
    """What was measured in this size before the run was broken off; nothing if there is no such file."""
    found = json.loads(file.read_text()) if file.is_file() else {"rows": [], "size": size}
    return [Row(**row) for row in found["rows"] if found["size"] == size and row["verdict"] != NOT_MEASURED]


def show(rows: Sequence[Row], caption: str) -> None:
    console = Console(width=max(120, Console().width))
    table = Table(*HEADS, caption=caption, show_lines=True)
    for row in rows:
        table.add_row(*cells(row), style=None if row.verdict in (MET, SO_FAR) else "bold")
    console.print(table)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--full", action="store_true", help="the counts that the bars ask for")
    parser.add_argument("--only", default="", metavar="WORD", help="only bars with this word")
    parser.add_argument("--coverage", default="", metavar="FILE", help="a coverage data file of the whole suite")
    parser.add_argument("--save", type=Path, default=CACHED, metavar="FILE", help=f"rows as JSON, kept up; {CACHED}")
    parser.add_argument(
        "--go-on", action="store_true", help="what the saved file has of this size is not measured again"
    )
    parser.add_argument("--markdown", type=Path, metavar="FILE", help="the table as Markdown, kept up")
    args = parser.parse_args()
    bars, size = chosen(args.only), "full" if args.full else "short"
    if not bars:
        parser.error(f"no bar has the word {args.only!r}")
    rows = saved(args.save, size) if args.go_on else []
    there = {row.what for row in rows}
    first = os.getloadavg()[0]
    for name in dict.fromkeys(bar.source for bar in bars if bar.what not in there):
        command = command_of(SOURCES[name], args.full, args.coverage)
        print(f"   {command or name} ...", flush=True)
        rows += (new := list(measured([bar for bar in bars if bar.source == name], SOURCES[name], command)))
        for row in new:
            print(f"{row.verdict:12} {row.what}: {row.figure}  [{row.bar}]", flush=True)
        rows.sort(key=in_order)
        save(rows, size, summary(rows, size, (first, os.getloadavg()[0])), args.save, args.markdown)
    show(rows, summary(rows, size, (first, os.getloadavg()[0])))
    print(f"also in {args.save}", flush=True)
    return 1 if any(row.verdict == NOT_MEASURED and row.made_by for row in rows) else 0


if __name__ == "__main__":
    sys.exit(main())
