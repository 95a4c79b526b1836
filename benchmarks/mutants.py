"""Do the tests notice when the code is wrong? One small mistake at a time in what must not be wrong.

    python benchmarks/mutants.py [--mutants 60] [--seed 1]

So many mistakes for each of the hold point, the frame decoders and the judgement, chosen by the seed out of all that
can be made: a comparison, a sign, an "and" or a "not" turned round, a number one off, a truth denied. Each is made in a
copy of the tree, and the tests of that part are run until one fails. Prints every mistake that no test noticed: either
a test is missing, or the mistake changes nothing that can be seen; which of the two, a person has to say.
"""

from __future__ import annotations

import ast
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from figures import Told, options

ROOT = Path(__file__).parents[1]
PATIENCE = 1800.0  # s for tests without a mistake
HANGS = 10.0  # times as long as without: a mistake that makes the tests hang was noticed
DECODERS = ("fs9721", "fs9922", "es51922", "es51986", "polled14", "prompt_answers")


@dataclass(frozen=True, slots=True)
class Part:
    modules: tuple[str, ...]
    tests: tuple[str, ...]


PARTS = {
    "hold point": Part(
        ("benchrig/holdmachine.py", "benchrig/holdpoint.py", "benchrig/session/guard.py"),
        ("tests/holdpoint", "tests/session/test_guard.py", "tests/session/test_ceiling_and_range.py"),
    ),
    "frame decoders": Part(
        ("benchrig/wire/frames.py", *(f"drivers/{name}.py" for name in DECODERS)),
        (
            "tests/drivers/test_serial_decoders.py",
            "tests/drivers/test_every_mark.py",
            "tests/drivers/test_prompt_answers.py",
            "tests/wire",
        ),
    ),
    "judgement": Part(("benchrig/judgement",), ("tests/judgement", "tests/test_common_practice.py")),
}

TURNED: dict[type[ast.AST], type[ast.AST]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In, ast.And: ast.Or, ast.Or: ast.And,
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.BitAnd: ast.BitOr,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Mutant:
    """A mistake: a module, the place, what stood there and what stands there now, and the whole wrong source."""

    module: str
    line: int
    was: str
    now: str
    source: str

    def __str__(self) -> str:
        return f"{self.module}:{self.line}: {self.was}  ->  {self.now}"


def mutants_of(module: str, source: str) -> Iterator[Mutant]:
    """Every mistake that can be made in a module; texts, also those with values in them, are left alone."""
    lines = source.encode().splitlines(keepends=True)
    for node in expressions(ast.parse(source)):
        for wrong in wrongs(node):
            now = ast.unparse(ast.fix_missing_locations(wrong))
            before, was, after = cut(lines, node)
            yield Mutant(module, node.lineno, was.decode(), now, (before + b"(" + now.encode() + b")" + after).decode())


def expressions(tree: ast.AST) -> Iterator[ast.expr]:
    """All of them but decorators, and what stands inside a text, where Python 3.11 does not know the place."""
    aside = getattr(tree, "decorator_list", [])
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.JoinedStr) or node in aside:
            continue
        if isinstance(node, ast.expr):
            yield node
        yield from expressions(node)


def wrongs(node: ast.AST) -> Iterator[ast.AST]:
    """The wrong forms of one expression."""
    match node:
        case ast.Compare(left=left, ops=[operator, *rest], comparators=others) if type(operator) in TURNED:
            yield ast.Compare(left, [TURNED[type(operator)](), *rest], others)  # type: ignore[list-item]
        case ast.BoolOp(op=operator, values=values):
            yield ast.BoolOp(TURNED[type(operator)](), values)  # type: ignore[arg-type]
        case ast.BinOp(left=left, op=operator, right=right) if type(operator) in TURNED:
            yield ast.BinOp(left, TURNED[type(operator)](), right)  # type: ignore[arg-type]
        case ast.UnaryOp(op=ast.Not(), operand=operand):
            yield operand
        case ast.Constant(value=bool() as value):
            yield ast.Constant(not value)
        case ast.Constant(value=int() | float() as number):
            yield ast.Constant(number + 1)


def cut(lines: list[bytes], node: ast.expr) -> tuple[bytes, bytes, bytes]:
    """What stands before an expression, the expression, and what stands after it."""
    assert node.end_lineno is not None
    assert node.end_col_offset is not None
    before = b"".join(lines[: node.lineno - 1]) + lines[node.lineno - 1][: node.col_offset]
    after = lines[node.end_lineno - 1][node.end_col_offset :] + b"".join(lines[node.end_lineno :])
    whole = b"".join(lines)
    return before, whole[len(before) : len(whole) - len(after)], after


def modules_of(part: Part) -> list[str]:
    files = (sorted(path.glob("*.py")) if path.is_dir() else [path] for path in (ROOT / it for it in part.modules))
    return [str(file.relative_to(ROOT)) for found in files for file in found]


def chosen(part: Part, count: int, seed: int) -> list[Mutant]:
    every = [it for name in modules_of(part) for it in mutants_of(name, (ROOT / name).read_text(encoding="utf-8"))]
    return random.Random(seed).sample(every, min(count, len(every)))


def copied(folder: Path) -> Path:
    """A copy of the tree in which drivers and doubles stand where an installation puts them."""
    tree = folder / "tree"
    shutil.copytree(ROOT, tree, ignore=shutil.ignore_patterns("__pycache__", ".*", "*.egg-info"))
    for name in ("drivers", "sim_instruments", "procedures"):
        (tree / "benchrig" / name).symlink_to(tree / name)
    return tree


def passes(tree: Path, tests: tuple[str, ...], patience: float) -> bool:
    """No test fails, and they come to an end."""
    command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *tests]
    environment = os.environ | {"PYTHONDONTWRITEBYTECODE": "1", "PYTHONPATH": str(tree)}
    try:
        ran = subprocess.run(
            command, cwd=tree, env=environment, timeout=patience, check=False, stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return False
    return ran.returncode == 0


def unnoticed(tree: Path, mutants: list[Mutant], tests: tuple[str, ...]) -> Iterator[Mutant]:
    """Those with which every test passes. SystemExit when the tests fail without any."""
    began = time.monotonic()
    if not passes(tree, tests, PATIENCE):
        raise SystemExit(f"These tests fail without any mistake: {' '.join(tests)}")
    patience = HANGS * (time.monotonic() - began)
    for mutant in mutants:
        file = tree / mutant.module
        right = file.read_text(encoding="utf-8")
        file.write_text(mutant.source, encoding="utf-8")
        if passes(tree, tests, patience):
            yield mutant
        file.write_text(right, encoding="utf-8")


def main() -> None:
    args = options(__doc__, mutants=60, seed=1)
    told = Told(args.json)
    left: dict[str, float] = {}
    made = 0
    with tempfile.TemporaryDirectory() as folder:
        tree = copied(Path(folder))
        for name, part in PARTS.items():
            mutants = chosen(part, args.mutants, args.seed)
            made += len(mutants)
            left[name] = 0
            for mutant in unnoticed(tree, mutants, part.tests):
                left[name] += 1
                told.line(f"   {mutant}")
            told.line(f"{name}: {len(mutants)} mistakes, seed {args.seed}, {left[name]:g} unnoticed")
    told.end({"unnoticed": left, "mistakes": made, "mistakes a part": args.mutants})


if __name__ == "__main__":
    main()
