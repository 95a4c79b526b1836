"""Do the tests notice when the code is wrong? One small mistake at a time in what must not be wrong.

    python benchmarks/mutants.py --all                     # every mistake that can be made: an hour on two cores
    python benchmarks/mutants.py --all --only trend        # in modules with that word in their names
    python benchmarks/mutants.py [--mutants 60] [--seed 1] # so many of each part, chosen by the seed

In the hold point, the frame decoders and what is built on them, and the judgement (mutants_made.py has the mistakes).
Each is made in a copy of the tree, and the tests of that part are run until one fails, those of the module first.
A mistake that no test notices changes nothing that can be seen, or wants a test or simpler code. A person has to say
which: mutants_explained.md has those that were looked at, with the reason. They are not made again without --again,
which says of each whether a test notices it by now. Prints what is not explained; the exit code is 1 for any.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import random
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # threads of the numerics would only be in each other's way

# Both here for the processes that are forked: they need not read them again.
import numpy as np  # noqa: F401
import pytest
from figures import Told
from mutants_made import Mutant, mutants_of

ROOT = Path(__file__).parents[1]
EXPLAINED = Path(__file__).with_name("mutants_explained.md")
HANGS = 5.0  # times as long as without, and this many seconds: a mistake that makes the tests hang was noticed
DECODERS = ("fs9721", "fs9922", "es51922", "es51986", "cyrustek", "display", "polled14", "prompt", "prompt_answers")


@dataclass(frozen=True, slots=True)
class Part:
    modules: tuple[str, ...]
    tests: tuple[str, ...]


PARTS = {
    "hold point": Part(
        ("benchrig/holdmachine.py", "benchrig/holdpoint.py", "benchrig/session/guard.py"),
        (
            "tests/session/test_guard.py",
            "tests/session/test_guard_questions.py",
            "tests/session/test_guard_make_safe.py",
            "tests/session/test_panel_keys.py",
            "tests/holdpoint",
            "tests/session/test_door.py",
            "tests/session/test_switching.py",
            "tests/session/test_ceiling_and_range.py",
            "tests/session/test_session_machine.py",
            "tests/session/test_session_walks.py",
        ),
    ),
    "frame decoders": Part(
        ("benchrig/wire/frames.py", "benchrig/wire/answers.py", *(f"drivers/{name}.py" for name in DECODERS)),
        (
            "tests/wire/test_frames.py",
            "tests/wire/test_answers.py",
            "tests/wire/test_wire_edges.py",
            "tests/drivers/test_serial_decoders.py",
            "tests/drivers/test_every_mark.py",
            "tests/drivers/test_every_answer.py",
            "tests/drivers/test_display_text.py",
            "tests/drivers/test_cyrustek_family.py",
            "tests/drivers/test_prompt_answers.py",
            "tests/drivers/test_prompt_conversation.py",
            "tests/drivers/test_polled_conversation.py",
        ),
    ),
    "conversation": Part(("benchrig/wire/scpi.py",), ("tests/wire", "tests/links/test_scpi_port.py")),
    "judgement": Part(("benchrig/judgement",), ("tests/judgement", "tests/test_common_practice.py")),
}


def modules_of(part: Part) -> list[str]:
    files = (sorted(path.glob("*.py")) if path.is_dir() else [path] for path in (ROOT / it for it in part.modules))
    return [str(file.relative_to(ROOT)) for found in files for file in found]


def suite_of(part: Part, module: str) -> list[str]:
    """The files of the part's tests, first those that are called after the module."""
    files = (sorted(path.glob("test_*.py")) if path.is_dir() else [path] for path in (ROOT / it for it in part.tests))
    names = [str(file.relative_to(ROOT)) for found in files for file in found]
    return sorted(names, key=lambda name: Path(module).stem not in name)


def explained(text: str) -> frozenset[str]:
    """The mistakes that were looked at: the lines of the page between fences."""
    fenced = text.split("```")[1::2]
    return frozenset(line for block in fenced for line in block.splitlines()[1:] if line)


def chosen(part: Part, only: str, count: int | None, seed: int) -> list[Mutant]:
    modules = [name for name in modules_of(part) if only in name]
    every = [it for name in modules for it in mutants_of(name, (ROOT / name).read_text(encoding="utf-8"))]
    return every if count is None else random.Random(seed).sample(every, min(count, len(every)))


def copied(tree: Path) -> Path:
    """A copy of the tree in which drivers and doubles stand where an installation puts them."""
    shutil.copytree(ROOT, tree, ignore=shutil.ignore_patterns("__pycache__", ".*", "*.egg-info"))
    for name in ("drivers", "sim_instruments", "procedures"):
        (tree / "benchrig" / name).symlink_to(tree / name)
    return tree


def run_tests(tree: Path, tests: list[str], keep: bool) -> None:
    """In a process of its own, which ends with pytest's exit code; `keep` the byte code of a run without mistakes."""
    os.setsid()
    silence = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(silence, stream)
    os.chdir(tree)
    sys.path.insert(0, str(tree))
    sys.dont_write_bytecode = not keep
    os.environ |= {"PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1", "PYTHONPATH": str(tree)}
    os.environ |= {} if keep else {"PYTHONDONTWRITEBYTECODE": "1"}
    os._exit(pytest.main(["-q", "-x", "-p", "no:cacheprovider", "-p", "_hypothesis_pytestplugin", *tests]))


def passes(tree: Path, tests: list[str], patience: float, keep: bool = False) -> bool:
    """No test fails, and they come to an end within `patience` seconds."""
    process = multiprocessing.get_context("fork").Process(target=run_tests, args=(tree, tests, keep))
    process.start()
    process.join(patience)
    if process.is_alive():
        os.killpg(process.pid or 0, 9)
        process.join()
    return process.exitcode == 0


class Copies:
    """Trees to make mistakes in, one for each worker."""

    def __init__(self, folder: Path, count: int) -> None:
        self._free = [copied(folder / f"tree{number}") for number in range(count)]

    def passes(self, mutant: Mutant, tests: list[str], patience: float) -> bool:
        """The tests pass with this mistake made."""
        tree = self._free.pop()
        file = tree / mutant.module
        right = file.read_text(encoding="utf-8")
        try:
            file.write_text(mutant.source, encoding="utf-8")
            return passes(tree, tests, patience)
        finally:
            file.write_text(right, encoding="utf-8")
            self._free.append(tree)

    def time_without(self, tests: list[str]) -> float:
        """Seconds that the tests take when nothing is wrong; leaves byte code. SystemExit when they fail."""
        began = time.monotonic()
        if not all(passes(tree, tests, 1800.0, keep=True) for tree in self._free):
            raise SystemExit(f"These tests fail without any mistake: {' '.join(tests)}")
        return (time.monotonic() - began) / len(self._free)


def unnoticed(copies: Copies, part: Part, mutants: list[Mutant], workers: int) -> Iterator[Mutant]:
    """Those with which every test passes."""
    patience = HANGS * (copies.time_without(suite_of(part, "")) + 1.0)
    with ThreadPoolExecutor(workers) as pool:
        found = pool.map(lambda it: copies.passes(it, suite_of(part, it.module), patience), mutants)
        yield from (mutant for mutant, passed in zip(mutants, found, strict=True) if passed)


def options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--all", action="store_true", help="every mistake, not a sample")
    parser.add_argument("--again", action="store_true", help="also those that are explained")
    parser.add_argument("--only", default="", help="modules with this in their names")
    parser.add_argument("--mutants", type=int, default=60, help="of each part, without --all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--json", action="store_true", help="the figures as one JSON object, and nothing else")
    return parser.parse_args()


def main() -> int:
    args = options()
    told = Told(args.json)
    known = explained(EXPLAINED.read_text(encoding="utf-8"))
    left: dict[str, float] = {}
    made = looked_at = 0
    with tempfile.TemporaryDirectory() as folder:
        copies = Copies(Path(folder), args.workers)
        for name, part in PARTS.items():
            mutants = chosen(part, args.only, None if args.all else args.mutants, args.seed)
            if not mutants:
                continue
            asked = [it for it in mutants if args.again or str(it) not in known]
            found = {str(it) for it in unnoticed(copies, part, asked, args.workers)}
            for line in sorted(found - known):
                told.line(f"   {line}")
            for line in sorted({str(it) for it in asked} & known - found):
                told.line(f"   (explained, and noticed by now) {line}")
            left[name] = len(found - known)
            told.line(f"{name}: {len(mutants)} mistakes, {left[name]:g} neither noticed nor explained")
            made, looked_at = made + len(mutants), looked_at + sum(str(it) in known for it in mutants)
    told.end({"not explained": left, "mistakes": made, "explained": looked_at})
    return 1 if any(left.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
