"""For your own tests: a whole simulated bench in process, a clock that jumps, and a link that plays back a dialogue."""

from ..clock import SimClock
from .replay import ReplayLink
from .sim_bench import SimBench

__all__ = ["ReplayLink", "SimBench", "SimClock"]
