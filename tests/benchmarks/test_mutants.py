"""Mistakes that are made on purpose are mistakes, one at a time, and stand where they are said to stand."""

import ast
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
from mutants import EXPLAINED, PARTS, ROOT, explained, modules_of, mutants_of, suite_of

SOURCE = '''@dataclass(frozen=True)
class A:
    """Says 3 < 4."""

    limit: float = 2.5

    def holds(self, it, other):
        ü = f"{it < 3}"
        if it is None:
            raise TypeError(ü)
        return it <= self.limit and not other, ü + "é"
'''
MUTANTS = {
    name: list(mutants_of(name, (ROOT / name).read_text("utf-8")))
    for part in PARTS.values()
    for name in modules_of(part)
}


def test_each_mistake_changes_one_place():
    """Decorators and texts are left alone, also where letters of two bytes stand before the place."""
    found = [(it.function, it.line, it.was, it.now) for it in mutants_of("a.py", SOURCE)]
    last = 'return it <= self.limit and not other, ü + "é"'
    assert found == [
        ("A", 5, "limit: float = 2.5", "limit: float = (3.5)"),
        ("A.holds", 9, "if it is None:", "if (True):"),
        ("A.holds", 9, "if it is None:", "if (False):"),
        ("A.holds", 9, "if it is None:", "if (it is not None):"),
        ("A.holds", 10, "raise TypeError(ü)", "pass"),
        ("A.holds", 11, last, 'return (it <= self.limit or not other), ü + "é"'),
        ("A.holds", 11, last, 'return (it < self.limit) and not other, ü + "é"'),
        ("A.holds", 11, last, 'return it <= self.limit and (other), ü + "é"'),
        ("A.holds", 11, last, "return it <= self.limit and not other, (ü - 'é')"),
    ]
    for mutant in mutants_of("a.py", SOURCE):
        pairs = zip(mutant.source.splitlines(), SOURCE.splitlines(), strict=True)
        assert [now.strip() for now, was in pairs if now != was] == [mutant.now]


def test_every_mistake_can_be_compiled():
    """A mistake that is no Python would be noticed by anything."""
    for mutants in MUTANTS.values():
        for mutant in mutants[::10]:
            ast.parse(mutant.source)


def test_a_module_is_held_against_its_own_tests_first_and_then_all_of_its_part():
    part = PARTS["judgement"]
    files = suite_of(part, "benchrig/judgement/trend.py")
    assert files[0] == "tests/judgement/test_trend.py"
    assert len(files) == len(set(files)) == len(list((ROOT / "tests/judgement").glob("test_*.py"))) + 1
    assert all((ROOT / it).exists() for part in PARTS.values() for it in part.tests)


def test_what_is_explained_is_a_mistake_that_can_be_made():
    """A reason for a line that has gone would excuse nothing, and mislead whoever reads it."""
    made = {str(it) for mutants in MUTANTS.values() for it in mutants}
    assert explained(EXPLAINED.read_text(encoding="utf-8")) <= made


def test_only_what_stands_between_fences_is_explained():
    assert explained("why\n```\na  ->  b\n\nc  ->  d\n```\nbecause\n```text\ne  ->  f\n```\n") == {
        "a  ->  b", "c  ->  d", "e  ->  f",
    }  # fmt: skip
