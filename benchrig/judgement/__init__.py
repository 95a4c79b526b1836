"""How sure a number is, what it means against its window, and whether it stands still. Pure: no clock, no I/O."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .rules import Judgement, judge

if TYPE_CHECKING:
    from .trend import Drift, drift

__all__ = ["Drift", "Judgement", "drift", "judge"]


def __getattr__(name: str) -> Any:
    """Drift needs numpy; a verdict does not, and must not wait for it."""
    if name not in ("Drift", "drift"):
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from . import trend

    return getattr(trend, name)
