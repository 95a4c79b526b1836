"""The options a bench file gives a driver: a closed list, each with its type; anything else is refused."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from benchrig.errors import FileError


def take(options: Mapping[str, Any] | None, driver: str, defaults: Mapping[str, Any]) -> dict[str, Any]:
    """`defaults` with what `options` change. Raises FileError for an unknown name or a value that cannot be.

    A default that is a tuple holds the words to choose from, the usual one first. Other values are of their default's
    type; an int stands for a float, and numbers are finite and more than 0.
    """
    given = dict(options or {})
    unknown = [name for name in given if name not in defaults]
    if unknown:
        raise FileError(
            f"Driver {driver} has no option {unknown[0]!r}.",
            next_step=f"It knows: {', '.join(sorted(defaults)) or 'none'}.",
        )
    usual = {name: default[0] if isinstance(default, tuple) else default for name, default in defaults.items()}
    return usual | {name: _checked(name, value, defaults[name], driver) for name, value in given.items()}


def _checked(name: str, value: Any, default: Any, driver: str) -> Any:
    if isinstance(default, float) and type(value) is int:
        value = float(value)
    if isinstance(default, tuple):
        fits, needed = value in default, f"one of: {', '.join(default)}"
    elif type(value) is not type(default):
        fits, needed = False, f"like {default!r} ({type(default).__name__})"
    else:
        # Seconds, hertz, channels, bytes: none of them can be 0 or without end.
        fits, needed = isinstance(value, str | bool) or 0 < value < math.inf, "a finite number, more than 0"
    if not fits:
        raise FileError(f"Option {name!r} of driver {driver} is {value!r}.", next_step=f"It must be {needed}.")
    return value
