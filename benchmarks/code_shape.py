"""How the code is cut: lines of functions, lengths of modules, circles of imports.

    python benchmarks/code_shape.py

A code line of a function is a line of its body that holds a token of code: no docstring, no comment, no blank line; the
lines of a function inside count for both. Imports are those that run when a module is loaded, so not those under
TYPE_CHECKING or inside a function. A module of more than 400 lines gives its reason in its docstring, with the word
"lines".
"""

from __future__ import annotations

import ast
import graphlib
import io
import tokenize
from collections.abc import Iterator, Mapping
from pathlib import Path

from figures import Told, median, options, percentile

ROOT = Path(__file__).parents[1]
TREES = ("benchrig", "drivers", "sim_instruments")
MOST = 400
SILENT = {tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT, tokenize.ENDMARKER}
Function = ast.FunctionDef | ast.AsyncFunctionDef


def modules(root: Path) -> dict[str, str]:
    """Source by dotted name."""
    files = (file for tree in TREES for file in sorted((root / tree).rglob("*.py")))
    return {name_of(file.relative_to(root)): file.read_text(encoding="utf-8") for file in files}


def name_of(file: Path) -> str:
    parts = file.with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def function_lengths(source: str) -> list[int]:
    """Code lines of each function of a module."""
    code = code_lines(source)
    functions = [node for node in ast.walk(ast.parse(source)) if isinstance(node, Function)]
    return [sum(first_of(it) <= line <= (it.end_lineno or 0) for line in code) for it in functions]


def code_lines(source: str) -> set[int]:
    """Numbers of the lines that hold code; docstrings do not."""
    code: set[int] = set()
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type not in SILENT:
            code.update(range(token.start[0], token.end[0] + 1))
    return code


def first_of(function: Function) -> int:
    """The line of the body's first statement after the docstring."""
    body = function.body[1:] if ast.get_docstring(function, clean=False) is not None else function.body
    return body[0].lineno if body else (function.end_lineno or 0) + 1


def imports(name: str, source: str, known: Mapping[str, str]) -> set[str]:
    """Modules of ours that load when this one does."""
    package = name if (ROOT / Path(*name.split("."))).is_dir() else name.rpartition(".")[0]
    found = {target for node in at_load(ast.parse(source)) for target in targets(node, package, known)}
    return found - {name}


def at_load(tree: ast.AST) -> Iterator[ast.Import | ast.ImportFrom]:
    """Import statements outside functions and outside `if TYPE_CHECKING`."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.Import | ast.ImportFrom):
            yield node
        elif not (
            isinstance(node, Function) or (isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test))
        ):
            yield from at_load(node)


def targets(node: ast.Import | ast.ImportFrom, package: str, known: Mapping[str, str]) -> Iterator[str]:
    """`from a import b` loads a.b where that is a module, else a."""
    if isinstance(node, ast.Import):
        yield from (ours(alias.name, known) for alias in node.names if ours(alias.name, known) in known)
        return
    above = package.split(".")[: len(package.split(".")) - node.level + 1] if node.level else []
    origin = ours(".".join([*above, *([node.module] if node.module else [])]), known)
    for alias in node.names:
        inner = f"{origin}.{alias.name}"
        if inner in known or origin in known:
            yield inner if inner in known else origin


def ours(name: str, known: Mapping[str, str]) -> str:
    """Drivers and doubles are installed under `benchrig`: the name they have in the tree."""
    bare = name.removeprefix("benchrig.")
    return bare if bare in known else name


def circle(graph: Mapping[str, set[str]]) -> list[str]:
    """One circle of imports, or nothing."""
    try:
        graphlib.TopologicalSorter(graph).prepare()
    except graphlib.CycleError as error:
        return list(error.args[1])
    return []


def main() -> None:
    told, known = Told(options(__doc__).json), modules(ROOT)
    lengths = [length for source in known.values() for length in function_lengths(source)]
    round_trip = circle({name: imports(name, source, known) for name, source in known.items()})
    long = {name: source.count("\n") for name, source in known.items() if source.count("\n") > MOST}
    bare = [name for name in long if "lines" not in (ast.get_docstring(ast.parse(known[name])) or "")]
    half, most = median(lengths), percentile(lengths, 0.95)
    told.line(f"{len(known)} modules, {len(lengths)} functions: median {half:g} code lines, 95 % within {most:g}")
    told.line(f"circle of imports: {' -> '.join(round_trip) or 'none'}")
    told.line(f"over {MOST} lines: {long or 'none'}; without a reason: {bare or 'none'}")
    told.end(
        {
            "modules": len(known),
            "functions": len(lengths),
            "median code lines": half,
            "95 % within": most,
            "modules in a circle": len(set(round_trip)),
            "long modules": len(long),
            "long without a reason": len(bare),
        }
    )


if __name__ == "__main__":
    main()
