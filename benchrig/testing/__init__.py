"""For your own tests: a whole simulated bench in process, a clock that jumps, and a link that plays back a dialogue.

pytest loads this package in every run, of whoever has benchrig installed: so the bench, which needs numpy and the
doubles, comes in only when it is asked for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from ..clock import SimClock
from .replay import ReplayLink

if TYPE_CHECKING:
    from .sim_bench import SimBench

__all__ = ["ReplayLink", "SimBench", "SimClock"]


def __getattr__(name: str) -> Any:
    if name != "SimBench":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from .sim_bench import SimBench

    return SimBench
