"""Small mistakes made in a Python source, one at a time: which there are, and how each is told.

A comparison, a sign, an "and" or a "not" turned round; a number one off; a truth denied; a condition that always or
never holds; a statement left out. Texts are left alone, also those with values in them, and so are decorators.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass

TURNED: dict[type[ast.AST], type[ast.AST]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In, ast.And: ast.Or, ast.Or: ast.And,
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.BitAnd: ast.BitOr,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Mutant:
    """A mistake: module and function, the first line that differs as it was and as it is, and the whole wrong source.

    Told without its number, so that what was said of it still finds it when lines are added above.
    """

    module: str
    function: str
    line: int
    was: str
    now: str
    source: str

    def __str__(self) -> str:
        return f"{self.module} {self.function}: {self.was}  ->  {self.now}"


def mutants_of(module: str, source: str) -> Iterator[Mutant]:
    """Every mistake that can be made in a module."""
    lines = source.encode().splitlines(keepends=True)
    for function, node, wrong in mistakes(ast.parse(source), ""):
        now = ast.unparse(ast.fix_missing_locations(wrong))
        now = now if isinstance(wrong, ast.stmt) else f"({now})"
        before, after = around(lines, node)
        mutated = (before + now.encode() + after).decode()
        was, became = first_difference(source, mutated)
        yield Mutant(module, function, node.lineno, was, became, mutated)


def mistakes(tree: ast.AST, function: str) -> Iterator[tuple[str, ast.expr | ast.stmt, ast.expr | ast.stmt]]:
    """(the function it stands in, what stands there, the wrong form) of each."""
    aside = getattr(tree, "decorator_list", [])
    for node in ast.iter_child_nodes(tree):
        # What stands inside a text has no place of its own in Python 3.11.
        if isinstance(node, ast.JoinedStr) or node in aside:
            continue
        if isinstance(node, ast.expr | ast.stmt):
            yield from ((function, node, wrong) for wrong in wrongs(node, tree))
        inner = getattr(node, "name", "") if isinstance(node, ast.FunctionDef | ast.ClassDef) else ""
        yield from mistakes(node, f"{function}.{inner}".strip("."))


def wrongs(node: ast.AST, above: ast.AST) -> Iterator[ast.expr | ast.stmt]:
    """The wrong forms of one expression or statement."""
    if is_condition(node, above):
        yield ast.Constant(True)
        yield ast.Constant(False)
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
            yield ast.Constant(number + 1 if number + 1 != number else 2 * number)
        case ast.AugAssign() | ast.Raise() | ast.Continue() | ast.Break() | ast.Expr(value=ast.Call()):
            yield ast.Pass()
        case ast.Assign(targets=[ast.Attribute() | ast.Subscript()]):
            yield ast.Pass()


def is_condition(node: ast.AST, above: ast.AST) -> bool:
    """Something that decides, and is not made of parts that are denied one by one."""
    match above:
        case ast.If(test=test) | ast.IfExp(test=test):
            return node is test
        case ast.comprehension(ifs=tests):
            return node in tests
    return False


def around(lines: list[bytes], node: ast.expr | ast.stmt) -> tuple[bytes, bytes]:
    """What stands before and after it."""
    assert node.end_lineno is not None
    assert node.end_col_offset is not None
    before = b"".join(lines[: node.lineno - 1]) + lines[node.lineno - 1][: node.col_offset]
    after = lines[node.end_lineno - 1][node.end_col_offset :] + b"".join(lines[node.end_lineno :])
    return before, after


def first_difference(source: str, mutated: str) -> tuple[str, str]:
    """The first lines that are not the same."""
    pairs = zip(source.splitlines(), mutated.splitlines(), strict=False)
    return next((was.strip(), now.strip()) for was, now in pairs if was != now)
