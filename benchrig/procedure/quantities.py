"""Where a value comes from, which values are right, and how a wrong one is wrong: the words a step is written in.

Rules kept here: every value is in a base unit; nothing here reads a file, opens an instrument or decides anything.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass

from ..instruments import FUNCTION_UNIT, Function


class Measurement(enum.StrEnum):
    """What is taken from a waveform of the scope."""

    MEAN = "mean"
    RMS = "rms"
    PEAK_TO_PEAK = "peak to peak"
    HIGH_TIME = "high time"
    LOW_TIME = "low time"
    PERIOD = "period"
    FREQUENCY = "frequency"
    DUTY_FACTOR = "duty factor"
    OVERSHOOT = "overshoot"
    HUM = "hum"  # RMS in a band


MEASUREMENT_UNIT: Mapping[Measurement, str] = {
    Measurement.MEAN: "V",
    Measurement.RMS: "V",
    Measurement.PEAK_TO_PEAK: "V",
    Measurement.HIGH_TIME: "s",
    Measurement.LOW_TIME: "s",
    Measurement.PERIOD: "s",
    Measurement.FREQUENCY: "Hz",
    Measurement.DUTY_FACTOR: "1",
    Measurement.OVERSHOOT: "1",
    Measurement.HUM: "V",
}


# Told from no voltage at all: an error of the scope's zero is in them. The others lie between two voltages.
FROM_ZERO = frozenset({Measurement.MEAN, Measurement.RMS})


class ReadingClass(enum.StrEnum):
    """How a reading is wrong; hints hang on it."""

    ABSENT = "absent"
    LOW = "low"
    HIGH = "high"
    FAR_HIGH = "far high"
    NOISY = "noisy"
    RIPPLED = "rippled"
    DRIFTING = "drifting"
    STEPPING = "stepping"
    DIPPING = "dipping"
    ALL_DIP = "all dip"
    ALL_OFFSET = "all offset"


class Operation(enum.StrEnum):
    """How a derived quantity is made from earlier results."""

    RATIO = "ratio"  # first / second
    DIFFERENCE = "difference"  # first - second
    MEAN = "mean"  # of all
    PERCENT_MISMATCH = "percent mismatch"  # |first - second| / mean of both, as a fraction


@dataclass(frozen=True, slots=True)
class MeterSource:
    """A value read by a meter. `probe` names one of the bench's probes."""

    instrument: str
    function: Function
    point: str = ""
    probe: str | None = None
    expected: float | None = None  # in the base unit, at the probe tip: fixes the range

    @property
    def unit(self) -> str:
        return FUNCTION_UNIT[self.function]


@dataclass(frozen=True, slots=True)
class ScopeSource:
    """A value taken from waveforms of one scope channel.

    swing     volts, peak to peak, that must fit on the screen at first
    duration  seconds that a record must hold; None lets the measurement choose
    band      Hz, of a hum
    quiet     count only while the signal rests (a pattern's blank phase)
    """

    instrument: str
    channel: int
    measurement: Measurement
    point: str = ""
    probe: str | None = None
    swing: float | None = None
    duration: float | None = None
    band: tuple[float, float] | None = None
    quiet: bool = False

    @property
    def unit(self) -> str:
        return MEASUREMENT_UNIT[self.measurement]


@dataclass(frozen=True, slots=True)
class TypedSource:
    """A value that a person reads from a ruler, a screen or another meter, and types. `shown_unit` as asked for."""

    unit: str
    point: str = ""
    shown_unit: str = ""


Source = MeterSource | ScopeSource | TypedSource


@dataclass(frozen=True, slots=True)
class Limits:
    """Which values are right, in `unit`.

    low, high        the preferred window; None where that side is open
    acceptable_low, acceptable_high   the wider window that still conforms; the preferred one where none is given
    ceiling          |value| above this stops the job at once
    """

    unit: str
    low: float | None
    high: float | None
    acceptable_low: float | None
    acceptable_high: float | None
    ceiling: float | None = None

    @property
    def window(self) -> tuple[float | None, float | None]:
        return self.low, self.high

    @property
    def acceptable(self) -> tuple[float | None, float | None]:
        return self.acceptable_low, self.acceptable_high

    def holds(self, value: float) -> bool:
        """True inside the preferred window, edges included."""
        return (self.low is None or value >= self.low) and (self.high is None or value <= self.high)


@dataclass(frozen=True, slots=True)
class Trimmer:
    """Something that a hand turns. `travel` is in degrees: 270 for a single-turn trimmer, 7200 for a 20-turn one."""

    name: str
    travel: float = 270.0
    mark: bool = True  # ask for a mark of the old position before it is touched


@dataclass(frozen=True, slots=True)
class Axis:
    """One quantity and the trimmer that sets it. `span`: what the whole travel changes it by, where that is known."""

    source: Source
    limits: Limits
    target: float
    trimmer: Trimmer
    span: float | None = None


def only_ceiling(unit: str, ceiling: float | None) -> Limits | None:
    """The limits of a value of which nothing is wanted but that it stays below a ceiling; None without one."""
    return None if ceiling is None else Limits(unit, None, None, None, None, ceiling)
