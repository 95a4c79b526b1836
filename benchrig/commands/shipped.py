"""Files by name: what is shipped with the program ("skerry14/adjust") or lies on this machine ("./mine.toml")."""

from __future__ import annotations

import difflib
from importlib.resources import as_file, files
from pathlib import Path

from ..errors import FileError


def shipped_names() -> list[str]:
    """Names of the shipped files, without their ending."""
    root = _root()
    return sorted(str(path.relative_to(root).with_suffix("")) for path in root.rglob("*.toml"))


def locate(name: str) -> Path:
    """The file meant by `name`. Raises FileError that lists what is shipped."""
    given = Path(name)
    if given.suffix or given.exists():
        return given
    shipped = _root() / f"{name}.toml"
    if name in shipped_names():
        return shipped
    raise FileError(f"There is no file {name!r}, and nothing of that name is shipped.", next_step=_hint(name))


def _hint(name: str) -> str:
    """The nearest of the shipped names; of a folder's name all that is in it."""
    names = shipped_names()
    inside = [it for it in names if it.startswith(f"{name.rstrip('/')}/")]
    near = difflib.get_close_matches(name, names, 1)
    if near and not inside:
        return f"Did you mean {near[0]!r}?"
    return f"Shipped: {', '.join(inside or names)}."


def bench_beside(procedure: Path) -> Path | None:
    """The file `bench.toml` in the folder of a procedure; None where there is none."""
    place = procedure.parent / "bench.toml"
    return place if place.is_file() else None


def _root() -> Path:
    # The package is always a real folder: setuptools installs wheels unpacked.
    with as_file(files("benchrig.procedures")) as root:
        return root
