"""What an instrument says: a value, its unit, when it was taken, and how far it can be trusted."""

from __future__ import annotations

import enum
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


class Flag(enum.Flag):
    """Facts about a reading that its number does not show."""

    NONE = 0
    AC = enum.auto()
    DC = enum.auto()
    AUTORANGE = enum.auto()  # the instrument chooses its range by itself
    RANGE_CHANGED = enum.auto()  # another range than the reading before: resolution and loading stepped
    RELATIVE = enum.auto()  # a stored offset is subtracted (REL, NULL)
    MINMAX = enum.auto()  # not the present value but a kept extreme
    DIODE = enum.auto()
    CONTINUITY = enum.auto()
    LOW_BATTERY = enum.auto()
    OVERLOAD = enum.auto()  # beyond the range: there is no number
    UNDERLOAD = enum.auto()  # below what can be measured: there is no number
    INVALID = enum.auto()  # the instrument itself says "not a number"
    HOLD = enum.auto()  # the display is frozen
    STALE = enum.auto()  # too old to be the present value
    CLIPPED = enum.auto()  # the waveform behind it touched the limits of the converter
    BUSY = enum.auto()  # taken while the signal was not in its quiet phase
    UNSETTLED = enum.auto()  # taken before the instrument or its input had settled
    WRONG_FUNCTION = enum.auto()  # a knob that only a hand can turn stands elsewhere: there is no number
    COARSE = enum.auto()  # too few samples to show peaks: the number is right, or too small
    PROVISIONAL = enum.auto()  # taken since the last look at the panel: shown, but nothing is concluded from it yet
    CHANGED_AT_PANEL = enum.auto()  # math, scaling, a filter or a range was chosen at the instrument itself
    VARIES = enum.auto()  # the times of the pulses behind it vary more than noise explains
    GLITCHES = enum.auto()  # short glitches were left out
    UNRESOLVED = enum.auto()  # edges are faster than two samples
    UNTRIGGERED = enum.auto()  # the scope was not triggered
    RUNT = enum.auto()  # a pulse is missing, or does not reach its state
    SLOW = enum.auto()  # edges take most of the time: the states are hardly reached
    MOVES = enum.auto()  # the states of the pulses move: hum, or a baseline that wanders


# A reading with any of these never becomes a verdict, a cue or an accepted setting.
UNUSABLE = (
    Flag.OVERLOAD
    | Flag.UNDERLOAD
    | Flag.INVALID
    | Flag.HOLD
    | Flag.MINMAX
    | Flag.RELATIVE
    | Flag.STALE
    | Flag.CLIPPED
    | Flag.BUSY
    | Flag.UNSETTLED
    | Flag.WRONG_FUNCTION
    | Flag.CHANGED_AT_PANEL
)
# A reading with any of these may be judged, but neither it nor a verdict on it is told without a word of them.
CAUTIONS = (
    Flag.COARSE | Flag.VARIES | Flag.GLITCHES | Flag.UNRESOLVED | Flag.UNTRIGGERED | Flag.RUNT | Flag.SLOW | Flag.MOVES
)
# What was measured is not one value, or may be another one than it seems: a verdict on it is conditional at best.
CONDITIONAL = Flag.VARIES | Flag.RUNT | Flag.SLOW | Flag.MOVES


@dataclass(frozen=True, slots=True)
class Reading:
    """One measurement, in SI base units.

    value       the number, or None where there is none (overload, underload, invalid)
    unit        "V", "A", "ohm", "F", "Hz", "s", "%", "degC", "1", ...
    time        monotonic seconds at which the measurement ended (its conversion, not its transfer, where known)
    flags       see `Flag`
    resolution  one count of the display or one code of the converter, in `unit`; None where unknown
    aperture    seconds over which the instrument looked; the measurement began at `time - aperture`
    uncertainty standard uncertainty in `unit` where it is known already; None otherwise
    clean_since where the instrument's panel is asked now and then: monotonic second since which every look at it was
                clean, the last of them behind this reading; None where no look belongs to this reading
    full_scale  the range that was in force, in `unit`; None where the instrument does not tell
    text        as the instrument shows or sent it, or why there is no number: for people; nothing is decided by it
    """

    value: float | None
    unit: str
    time: float = 0.0
    flags: Flag = Flag.NONE
    resolution: float | None = None
    aperture: float = 0.0
    uncertainty: float | None = None
    text: str = ""
    clean_since: float | None = None
    full_scale: float | None = None

    @property
    def usable(self) -> bool:
        """True if the number may be judged at all. Freshness is asked with `age`."""
        return self.value is not None and not self.flags & UNUSABLE

    def age(self, now: float) -> float:
        """Seconds since the measurement ended."""
        return now - self.time


def usable_of(values: NDArray[np.float64], flags: NDArray[np.uint32]) -> NDArray[np.bool_]:
    """Which of many readings may be judged: `Reading.usable` for columns (nan where there is no number), shape (n,)."""
    import numpy as np  # not at the top: `benchrig --help` imports this module and does without numpy

    good: NDArray[np.bool_] = ((flags & UNUSABLE.value) == 0) & np.isfinite(values)
    return good


def flag_words(flags: enum.Flag) -> str:
    """Flags as lower-case words: "overload, stale"."""
    return ", ".join(name.lower().replace("_", " ") for name in flag_names(flags)) or "no value"


def flag_names(flags: enum.Flag) -> list[str]:
    """Names of the single flags set in `flags`."""
    return [flag.name for flag in type(flags) if flag in flags and flag.name is not None]
