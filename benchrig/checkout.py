"""All of benchrig comes from one tree: the engine, the drivers, the doubles and the procedures, here and in children.

Installed, everything is in one folder. In a checkout the drivers, doubles and procedures lie beside the engine, and
whoever starts Python there gets this engine, whatever is installed elsewhere; so they are taken from beside it, and
what they offer from the `pyproject.toml` of the same tree. Other people's packages offer theirs as ever.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from importlib.machinery import ModuleSpec, PathFinder
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from importlib.metadata import EntryPoint

NAME = "benchrig"
PARTS = ("drivers", "procedures", "sim_instruments")
HERE = Path(__file__).resolve().parent
ROOT = HERE.parent


class _Beside:
    """Finds the parts beside the engine's folder, before anybody else is asked."""

    @staticmethod
    def find_spec(name: str, path: Any = None, target: Any = None) -> ModuleSpec | None:
        package, _, part = name.partition(".")
        return PathFinder.find_spec(name, [str(ROOT)]) if package == NAME and part in PARTS else None


def is_checkout() -> bool:
    """True if the parts lie beside the engine and not in it."""
    return not (HERE / PARTS[0]).is_dir() and all((ROOT / part).is_dir() for part in PARTS)


def join() -> None:
    """From now on the parts come from the tree of this file. Called once, before any of them is imported."""
    if is_checkout():
        sys.meta_path.insert(0, _Beside)


def entry_points(group: str) -> Mapping[str, EntryPoint]:
    """What is offered under `group`, by name: by this tree, and by every other package that is installed."""
    from importlib import metadata

    found = {point.name: point for point in metadata.entry_points(group=group) if not _ours(point)}
    return found | {point.name: point for point in _own(group)}


def _ours(point: EntryPoint) -> bool:
    return point.value.partition(":")[0].split(".")[0] == NAME


def _own(group: str) -> list[EntryPoint]:
    from importlib import metadata

    if not is_checkout():
        return [point for point in metadata.entry_points(group=group) if _ours(point)]
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    offered = project.get("entry-points", {}).get(group, {})
    return [metadata.EntryPoint(name, value, group) for name, value in offered.items()]


def version() -> str:
    """The version of this tree; "unknown" where nobody knows it."""
    from importlib import metadata

    if is_checkout():
        import tomllib

        return str(tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"])
    try:
        return metadata.version(NAME)
    except metadata.PackageNotFoundError:
        return "unknown"


def in_child(module: str) -> tuple[list[str], dict[str, str]]:
    """The command that runs a module of ours in a child of its own, and its environment: the same tree again.

    `-P`: a folder that happens to be the present one is no place to import from.
    """
    paths = [str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])]
    return [sys.executable, "-P", "-m", module], os.environ | {"PYTHONPATH": os.pathsep.join(paths)}
