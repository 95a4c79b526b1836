"""The options a bench file gives a driver: a closed list, each with its type; anything else is refused."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchrig.errors import FileError


def take(options: Mapping[str, Any] | None, driver: str, defaults: Mapping[str, Any]) -> dict[str, Any]:
    """`defaults` with what `options` change. Raises FileError for an unknown name or a value of another type.

    An int stands for a float; a default of None takes any value.
    """
    given = dict(options or {})
    unknown = [name for name in given if name not in defaults]
    if unknown:
        raise FileError(
            f"Driver {driver} has no option {unknown[0]!r}.",
            next_step=f"It knows: {', '.join(sorted(defaults)) or 'none'}.",
        )
    return {name: _of_type(name, given.get(name, default), default, driver) for name, default in defaults.items()}


def _of_type(name: str, value: Any, default: Any, driver: str) -> Any:
    if default is None or type(value) is type(default):
        return value
    if isinstance(default, float) and type(value) is int:
        return float(value)
    raise FileError(
        f"Option {name!r} of driver {driver} is {value!r}.",
        next_step=f"It must be like {default!r} ({type(default).__name__}).",
    )
