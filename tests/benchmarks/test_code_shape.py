"""Lines of code and circles of imports are counted as they are told."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
from code_shape import circle, function_lengths, imports, name_of

FUNCTION = '''
def outer(
    a,
):
    """Docstring
    of two lines."""
    # a comment

    b = (
        a
    )
    def inner():
        return """two
        lines"""
    return b
'''


def test_code_lines_are_without_docstring_comments_and_blank_lines():
    """Three of b, one of the inner signature, two of its string, one of the return; the inner one has its two."""
    assert function_lengths(FUNCTION) == [7, 2]
    assert function_lengths('def f():\n    """Nothing but words."""\n') == [0]


def test_a_circle_is_found_through_packages_and_relative_imports():
    """`from . import b` in a package's module, `from a import b` where a.b is a module."""
    known = {
        "a": "", "a.x": "from . import y\n", "a.y": "from benchrig.a.z import thing\nimport os\n",
        "a.z": "import a.x\n", "a.quiet": "def f():\n    import a.x\n",
    }  # fmt: skip
    graph = {name: imports(name, source, known) for name, source in known.items()}
    assert graph == {"a": set(), "a.x": {"a.y"}, "a.y": {"a.z"}, "a.z": {"a.x"}, "a.quiet": set()}
    assert set(circle(graph)) == {"a.x", "a.y", "a.z"}
    assert circle({"a": {"b"}, "b": set()}) == []


def test_imports_for_types_alone_make_no_circle():
    """They do not run."""
    source = "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from a import x\nelse:\n    pass\n"
    assert imports("b", source, {"a": "", "a.x": "", "b": ""}) == set()


def test_a_package_is_named_by_its_folder():
    """And a module by its file."""
    assert name_of(Path("benchrig/trim/__init__.py")) == "benchrig.trim"
    assert name_of(Path("benchrig/trim/engine.py")) == "benchrig.trim.engine"
