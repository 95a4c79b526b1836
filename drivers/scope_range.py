"""Bring a signal to a good size on the screen: large enough to measure, whole, and never judged from a clipped record.

`decide` is pure: one record and the view it was taken with in, what to set next out. `hunt_range` repeats it on fresh
records until the signal fills 40 to 80 % of the screen.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from benchrig.clock import Clock
from benchrig.errors import InstrumentError, SignalError
from benchrig.signals.waveform import Waveform

LEAST, AIM, MOST = 0.4, 0.6, 0.8  # of the screen's height
_WIDEN = 4.0  # how much coarser after a clipped record: nothing is known but that it is larger
_NEXT = 1.5  # from a scale that was refused to the next one tried
_TRIES = 24


@dataclass(frozen=True, slots=True)
class View:
    """What a channel shows: volts per division and volts at the centre of the screen, at the probe tip."""

    scale: float
    centre: float
    divisions: int = 8

    @property
    def height(self) -> float:
        """Volts from the bottom of the screen to its top."""
        return self.scale * self.divisions

    def fill(self, low: float, high: float) -> float:
        """Share of the screen's height between two levels."""
        return (high - low) / self.height

    def holds(self, low: float, high: float) -> bool:
        """True if both levels are on the screen."""
        return self.centre - self.height / 2 <= low and high <= self.centre + self.height / 2


@dataclass(frozen=True, slots=True)
class Limits:
    """The finest and the coarsest volts per division to try."""

    finest: float
    coarsest: float

    def clamp(self, scale: float) -> float:
        """The nearest scale inside the limits."""
        return min(max(scale, self.finest), self.coarsest)


def decide(record: Waveform, view: View, limits: Limits) -> View | None:
    """The view to try next, or None if the record fills the screen as it should, or as well as the finest scale can.

    Raises SignalError where even the coarsest scale clips.
    """
    codes = record.samples
    low, high = sorted(float(code) * record.scale + record.offset for code in (codes.min(), codes.max()))
    if record.clipped:
        return _wider(record, view, limits, low, high)
    if view.holds(low, high) and LEAST <= view.fill(low, high) <= MOST:
        return None
    wanted = limits.clamp((high - low) / (AIM * view.divisions))
    centre = (low + high) / 2
    nearly_there = view.holds(low, high) and view.fill(low, high) < LEAST
    if nearly_there and view.scale <= limits.finest * 1.001:
        return None
    return View(wanted, centre, view.divisions)


def _wider(record: Waveform, view: View, limits: Limits, low: float, high: float) -> View:
    """Coarser by a fixed step; towards the side that was cut, if it was only one."""
    if view.scale >= limits.coarsest * 0.999:
        raise SignalError(
            f"The signal is beyond the screen even at {view.scale:g} V per division.",
            next_step="Use a probe with a higher ratio, and set its factor on the scope.",
        )
    at_low, at_high = _touches(record)
    centre = (low + high) / 2 if at_low and at_high else (low if at_low else high)
    return View(limits.clamp(view.scale * _WIDEN), centre, view.divisions)


def _touches(record: Waveform) -> tuple[bool, bool]:
    """Which end of the screen the record runs into, bottom and top, in volts."""
    assert record.code_limits is not None
    bottom, top = record.code_limits
    ends = bool(np.min(record.samples) <= bottom), bool(np.max(record.samples) >= top)
    return ends if record.scale > 0 else (ends[1], ends[0])


def _narrowed(limits: Limits, view: View, wanted: View) -> Limits:
    """Limits after the scope refused a view: fine scales often allow little offset, and every scope has a coarsest."""
    if wanted.scale < view.scale:
        return Limits(min(view.scale, wanted.scale * _NEXT), limits.coarsest)
    return Limits(limits.finest, max(view.scale, wanted.scale / _NEXT))


class RangedScope(Protocol):
    """What the hunt needs of a scope."""

    def view(self, channel: int) -> View:
        """The view as the scope itself says."""
        ...

    def set_channel(self, channel: int, *, scale: float | None = None, offset: float | None = None) -> None: ...

    def fresh_capture(self, channel: int, deadline: float) -> Waveform: ...


def hunt_range(
    scope: RangedScope,
    channel: int,
    clock: Clock,
    deadline: float,
    *,
    limits: Limits,
    per_capture: float = 1.0,
) -> Waveform:
    """Set scale and offset until the signal fills 40 to 80 % of the screen, and return the record that shows it.

    Every decision is made on a record acquired after the setting before it; `per_capture` seconds for each. A signal
    too small for the finest scale ends there, whole on the screen. Raises SignalError if it clips at the coarsest
    scale, or does not hold still long enough to be caught.
    """
    for _ in range(_TRIES):
        now = clock.now()
        if now >= deadline:
            break
        view = scope.view(channel)
        record = scope.fresh_capture(channel, min(deadline, now + per_capture))
        wanted = decide(record, view, limits)
        if wanted is None:
            return record
        try:
            scope.set_channel(channel, scale=wanted.scale, offset=wanted.centre)
        except InstrumentError:
            limits = _narrowed(limits, view, wanted)
    raise SignalError(
        f"Channel {channel} did not come to fill the screen in time.",
        next_step="Check the probe; a signal that changes its size from sweep to sweep needs a scale set by hand.",
    )
