"""Mistakes that are made on purpose are mistakes, one at a time, and stand where they are said to stand."""

import ast
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
from mutants import PARTS, ROOT, modules_of, mutants_of

SOURCE = '''@dataclass(frozen=True)
class A:
    """Says 3 < 4."""

    limit: float = 2.5

    def holds(self, it, other):
        ü = f"{it < 3}"
        return it <= self.limit and not other, ü + "é"
'''


def test_each_mistake_changes_one_place():
    """Decorators and texts are left alone, also where letters of two bytes stand before the place."""
    found = [(it.line, it.was, it.now) for it in mutants_of("a.py", SOURCE)]
    assert found == [
        (5, "2.5", "3.5"),
        (9, "it <= self.limit and not other", "it <= self.limit or not other"),
        (9, "it <= self.limit", "it < self.limit"),
        (9, "not other", "other"),
        (9, 'ü + "é"', "ü - 'é'"),
    ]
    for mutant in mutants_of("a.py", SOURCE):
        changed = [
            line for line, was in zip(mutant.source.splitlines(), SOURCE.splitlines(), strict=True) if line != was
        ]
        assert len(changed) == 1
        assert f"({mutant.now})" in changed[0]


def test_every_part_has_modules_and_each_of_their_mistakes_can_be_compiled():
    """A mistake that is no Python would be noticed by anything."""
    for part in PARTS.values():
        assert all((ROOT / it).exists() for it in part.tests)
        for name in modules_of(part):
            for mutant in list(mutants_of(name, (ROOT / name).read_text(encoding="utf-8")))[::10]:
                ast.parse(mutant.source)
