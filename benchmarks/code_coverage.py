"""How much of the engine the tests run: statements of all of benchrig, branches of what must not be wrong.

    python benchmarks/code_coverage.py [--data FILE]

FILE is a coverage data file made with branches. Without it the whole suite is run to make one: a quarter of an
hour on two cores. The processes that the tests start are counted too.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from figures import Told, options

ROOT = Path(__file__).parents[1]
HOLD_POINT = ("benchrig/holdmachine.py", "benchrig/holdpoint.py", "benchrig/session/guard.py")
JUDGEMENT = "benchrig/judgement/"
SETTINGS = "[run]\nbranch = True\nsource = benchrig\nparallel = True\npatch = subprocess\ndata_file = {}\n"


def made(folder: Path) -> Path:
    """Run the suite; the data file."""
    data, settings = folder / "data", folder / "settings"
    settings.write_text(SETTINGS.format(data))
    coverage = [sys.executable, "-m", "coverage"]
    environment = os.environ | {"COVERAGE_RCFILE": str(settings)}
    for words in (["run", "-m", "pytest", "-q", "-n", "2", "--dist", "loadfile"], ["combine", "-q"]):
        subprocess.run([*coverage, *words], cwd=ROOT, env=environment, stdout=sys.stderr, check=False)
    return data


def files_of(data: Path) -> dict[str, Any]:
    """The summary of each file, by its name from the root."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "coverage.json"
        command = [sys.executable, "-m", "coverage", "json", "-q", f"--data-file={data}", "-o", str(out), "-i"]
        subprocess.run(command, cwd=ROOT, check=True, capture_output=True)
        files = json.loads(out.read_text())["files"]
    return {os.path.relpath(ROOT / name, ROOT): entry["summary"] for name, entry in files.items()}


def statements(files: Iterable[dict[str, Any]]) -> float:
    """Per cent of them."""
    files = list(files)
    return 100.0 * float(sum(it["covered_lines"] for it in files) / sum(it["num_statements"] for it in files))


def branches(files: Iterable[dict[str, Any]]) -> float:
    """Per cent of statements and branches together, so that a branch in a line that never ran counts."""
    files = list(files)
    there = sum(it["num_branches"] + it["num_statements"] for it in files)
    return 100.0 * float(sum(it["covered_branches"] + it["covered_lines"] for it in files) / there)


def main() -> None:
    args = options(__doc__, data="")
    told = Told(args.json)
    with tempfile.TemporaryDirectory() as folder:
        files = files_of(Path(args.data).resolve() if args.data else made(Path(folder)))
    engine = {name: it for name, it in files.items() if name.startswith("benchrig/")}
    hold, judged = (
        [*(it for name, it in engine.items() if name.startswith(which))] for which in (HOLD_POINT, JUDGEMENT)
    )
    if not hold or not judged:
        raise SystemExit(
            "The data has neither the hold point nor the judgement: make it with --branch --source=benchrig"
        )
    found = {
        "statements, %": statements(engine.values()),
        "hold point, %": branches(hold),
        "judgement, %": branches(judged),
    }
    for name, value in found.items():
        told.line(f"{name}: {value:.2f}")
    for name, it in engine.items():
        if name.startswith((*HOLD_POINT, JUDGEMENT)) and it["missing_lines"] + it["missing_branches"]:
            told.line(f"   {name}: {it['missing_lines']} lines and {it['missing_branches']} branches missing")
    told.end(found)


if __name__ == "__main__":
    main()
