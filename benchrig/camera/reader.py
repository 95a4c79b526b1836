"""From a frame to a reading: is it a good frame, what does the measurement say, and if nothing, why and what to do.

Rules kept here: a frame with any fault gives a reading without a number; so does a grid that is not found whole. The
text says what is wrong and the cure. A reading's uncertainty is its own, from the frame, map and glass.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from ..errors import SignalError
from ..readings import Flag, Reading
from .faint import Wedge, bar_levels, faintest_bar
from .frames import BadFrame, Frame, View, faults
from .grid import Expected, GridLines, find_again, find_grid
from .joins import join_miss
from .measures import MEASURES, Measured, line_width, measure

_FLAGS: Mapping[BadFrame, Flag] = {
    BadFrame.STALE: Flag.STALE,
    BadFrame.REPEATED: Flag.STALE,
    BadFrame.SATURATED: Flag.CLIPPED,
}


@dataclass(frozen=True, slots=True)
class Picture:
    """What is on the screen while it is measured: the grid (also for a lattice: its squares), or the wedge."""

    grid: Expected | None = None
    wedge: Wedge | None = None


def units() -> Mapping[str, str]:
    """Every measurement by name, and the unit its readings come in."""
    told = {name: "m" if kind.unit == "mm" else kind.unit for name, kind in MEASURES.items()}
    return told | {"join miss vertical": "m", "join miss horizontal": "m", "line width": "m", "faintest bar": "1"}


class CameraReader:
    """Readings of one measurement through one camera set up as `view`."""

    def __init__(self, view: View, picture: Picture, measurement: str) -> None:
        self._view = view
        self._picture = picture
        self._measurement = measurement
        self._unit = units()[measurement]
        self._frame: Frame | None = None
        self.lines: GridLines | None = None

    def read(self, frame: Frame, now: float) -> Reading:
        """The measurement on this frame; without a number, with flag and words, where it does not count."""
        found = faults(frame, self._view, now, self._frame)
        self._frame = frame
        if found:
            self.lines = None
            flags = Flag.NONE
            for fault in found:
                flags |= _FLAGS.get(fault, Flag.INVALID)
            return self._none(frame, flags, " ".join(f"{fault.words} {fault.cure}" for fault in found))
        try:
            measured = self._measured(frame)
        except SignalError as error:
            self.lines = None
            return self._none(frame, Flag.INVALID, str(error))
        return Reading(measured.value, measured.unit, frame.time, uncertainty=measured.uncertainty)

    def _none(self, frame: Frame, flags: Flag, words: str) -> Reading:
        return Reading(None, self._unit, frame.time, flags, text=words)

    def _measured(self, frame: Frame) -> Measured:
        if self._measurement == "faintest bar":
            assert self._picture.wedge is not None
            levels = bar_levels(frame.grey, self._view.glass_map, self._picture.wedge)
            return faintest_bar(levels, self._view.threshold)
        lines = self._grid(frame)
        special: dict[str, Callable[[], Measured]] = {
            "join miss vertical": lambda: join_miss(lines, self._view.glass_map, upright=True),
            "join miss horizontal": lambda: join_miss(lines, self._view.glass_map, upright=False),
            "line width": lambda: line_width(lines),
        }
        law = special.get(self._measurement)
        return law() if law is not None else measure(self._measurement, lines, self._view.glass_map)

    def _grid(self, frame: Frame) -> GridLines:
        """The grid from where it was a moment ago, or looked for from nothing."""
        assert self._picture.grid is not None
        if self.lines is not None:
            try:
                self.lines = find_again(frame.grey, self._view.glass_map, self.lines)
                return self.lines
            except SignalError:
                self.lines = None  # it may have moved further than lines are followed
        self.lines = find_grid(frame.grey, self._view.glass_map, self._view.screen, self._picture.grid)
        return self.lines
