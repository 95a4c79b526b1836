"""Public names of a package, imported when they are first used: who wants one of them does not pay for all."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Mapping
from typing import Any


def names_of(package: dict[str, Any], homes: Mapping[str, str]) -> Callable[[str], Any]:
    """The `__getattr__` of a package (PEP 562), from its `globals()` and the module that has each name."""

    def find(name: str) -> Any:
        if name not in homes:
            raise AttributeError(f"module {package['__name__']!r} has no attribute {name!r}")
        value = getattr(importlib.import_module(homes[name], package["__name__"]), name)
        package[name] = value
        return value

    return find
