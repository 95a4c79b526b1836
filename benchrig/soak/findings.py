"""What a soak notices, as plain data, and the readings it works on."""

from __future__ import annotations

import enum
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..readings import Flag, usable_of

Floats = NDArray[np.float64]


class Kind(enum.StrEnum):
    """What was noticed."""

    OUTSIDE = "outside its window"
    FAR_OUTSIDE = "outside what is acceptable"
    BREACH = "above its ceiling"
    INSIDE = "inside again"
    ABSENT = "absent"
    PRESENT = "there again"
    DIP = "dip"
    STEP = "step"
    DRIFT = "drift"
    CAUGHT = "caught by the scope"
    WARM = "warmed up"
    STILL_WARMING = "still warming up"


class Severity(enum.StrEnum):
    """What a finding calls for: a line in the record, somebody to look, or the end of the soak."""

    NOTE = "note"
    WARNING = "warning"
    STOP = "stop"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing noticed on a channel. `time` in seconds of the job's clock, `value` and `size` in `unit`.

    ends  the kind of finding that is over with this one; None for one that begins, or has no length
    """

    channel: str
    kind: Kind
    severity: Severity
    time: float
    words: str
    unit: str = ""
    value: float | None = None
    size: float | None = None
    ends: Kind | None = None


@dataclass(frozen=True, slots=True)
class Columns:
    """Readings of one channel, in order of time: times (s), values (nan where there is none), flags; shape (n,) each.

    resolution  of the last usable one, in the channel's unit; 0 where none is known
    """

    times: Floats
    values: Floats
    flags: NDArray[np.uint32]
    resolution: float = 0.0

    @property
    def usable(self) -> NDArray[np.bool_]:
        """Which of them may be judged, shape (n,)."""
        return usable_of(self.values, self.flags)

    @property
    def overloaded(self) -> NDArray[np.bool_]:
        """Which of them are beyond the range, shape (n,)."""
        over: NDArray[np.bool_] = (self.flags & Flag.OVERLOAD.value) != 0
        return over

    @property
    def autoranging(self) -> NDArray[np.bool_]:
        """Which of them are from a meter that chooses its range by itself, shape (n,)."""
        auto: NDArray[np.bool_] = (self.flags & Flag.AUTORANGE.value) != 0
        return auto
