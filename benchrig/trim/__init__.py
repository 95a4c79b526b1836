"""The trim engine (pure): readings in, cues for the hands out. `start`, `step`, `view`; the words are in `types`."""

from .engine import TrimState, start, step, view

__all__ = ["TrimState", "start", "step", "view"]
