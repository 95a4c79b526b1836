"""What a bench is, as plain data: instruments by name, how well they measure, probes, the mains.

Values are in SI base units, accuracies as fractions. `reader` makes these from a bench file; `attach` opens them.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal, TypeVar

from ..errors import FileError
from ..instruments import Function
from ..links.base import LineSettings

Named = TypeVar("Named")

SUPPLY = "supply"  # the instrument of a bench file that switches the unit


@dataclass(frozen=True, slots=True)
class Accuracy:
    """One row of a meter's specification: limits of error in one range of one function.

    range       full scale, in the unit of the function
    of_reading, of_range   fractions
    counts      of the last digit
    resolution  one count, in the unit of the function; None where no counts are given
    """

    function: Function
    range: float
    of_reading: float = 0.0
    of_range: float = 0.0
    counts: float = 0.0
    resolution: float | None = None

    def limit(self, value: float) -> float:
        """Largest error the maker allows at `value`, in the unit of the function."""
        return self.of_reading * abs(value) + self.of_range * self.range + self.counts * (self.resolution or 0.0)


@dataclass(frozen=True, slots=True)
class Waveforms:
    """What a scope's records are worth. None: not given.

    bandwidth    Hz, -3 dB
    sample_rate  samples per second, at most
    vertical     error limit of a voltage, as a fraction of the full screen height
    zero         error limit of no voltage at all: volts at the input, at any volts per division
    timebase     error limit of a time, as a fraction
    """

    bandwidth: float | None = None
    sample_rate: float | None = None
    vertical: float | None = None
    zero: float | None = None
    timebase: float | None = None

    def limit_of_volts(self, value: float, screen: float, probe: Probe | None, *, from_zero: bool) -> float:
        """Largest error at `value`, volts at the tip; `screen`: volts of its full height.

        `from_zero`: told from no voltage at all, so that an error of the scope's zero is in it.
        """
        zero = (self.zero or 0.0) * (probe.ratio if probe else 1.0) if from_zero else 0.0
        return math.hypot((self.vertical or 0.0) * screen, (probe.tolerance if probe else 0.0) * value, zero)


@dataclass(frozen=True, slots=True)
class InstrumentSpec:
    """One instrument of the bench.

    address           as `links.open_link` takes it; "" where only `usb` says where it is
    serial            its serial number; another unit at the address is refused
    usb, usb_serial   "vid:pid" in hex of a USB serial adapter, and the adapter's own serial number
    input_resistance  ohm; what a probe or a weak node is loaded with
    maximum_input     volts that its inputs bear
    line              serial settings that differ from what the driver finds usual
    """

    name: str
    driver: str
    address: str
    serial: str = ""
    usb: str = ""
    usb_serial: str = ""
    input_resistance: float | None = None
    maximum_input: float | None = None
    accuracy: tuple[Accuracy, ...] = ()
    waveforms: Waveforms = Waveforms()
    calibration_due: date | None = None
    line: Mapping[str, Any] = field(default_factory=dict)
    options: Mapping[str, Any] = field(default_factory=dict)

    def accuracy_at(
        self, function: Function, value: float, *, full_scale: float | None = None, resolution: float | None = None
    ) -> Accuracy | None:
        """The row of the range in force for `value`; None if no range holds it.

        `full_scale` is what the instrument says its range is, and a row's own range may reach a little beyond that.
        Where it does not say, the display's `resolution` tells the row that has the same; else it is the smallest
        range that holds the value, as for one that chooses its range by itself.
        """
        rows = [row for row in self.accuracy if row.function is function and row.range >= abs(value)]
        by_range = sorted(rows, key=lambda row: row.range)
        if full_scale is not None:  # of a range that no row is of, the largest row there is says most
            in_force = [row for row in by_range if row.range >= 0.999 * full_scale]
            return next(iter(in_force or by_range[-1:]), None)
        shown = [row for row in by_range if row.resolution and resolution and _same(row.resolution, resolution)]
        return next(iter(shown or by_range), None)

    def line_settings(self, usual: LineSettings) -> LineSettings:
        """`usual` with what this bench says instead."""
        return LineSettings(**{**{name: getattr(usual, name) for name in LineSettings.__slots__}, **self.line})


@dataclass(frozen=True, slots=True)
class Probe:
    """Something between a test point and an input.

    ratio       1000.0 for a 1000:1 probe
    resistance  ohm, from tip to ground with its instrument; what the test point is loaded with
    made_for    input resistance in ohm for which `ratio` holds; None where the ratio does not depend on it
    tolerance   error limit of the ratio, as a fraction
    maximum     volts at the tip
    bandwidth   Hz, -3 dB; None where not given
    """

    name: str
    ratio: float
    resistance: float | None = None
    made_for: float | None = None
    tolerance: float = 0.0
    maximum: float | None = None
    bandwidth: float | None = None
    calibration_due: date | None = None


@dataclass(frozen=True, slots=True)
class Secret:
    """Where a secret is to be found: an environment variable or a file. Neither: there is none."""

    env: str = ""
    file: str = ""


@dataclass(frozen=True, slots=True)
class CommandSpec:
    """A program of the operator's own that is run for an alarm. `timeout` in seconds."""

    name: str
    least: Literal["warning", "stop"]
    timeout: float
    run: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class WebhookSpec:
    """An address that alarms are posted to: in the file, or kept secret."""

    name: str
    least: Literal["warning", "stop"]
    timeout: float
    url: str = ""
    secret_url: Secret = Secret()
    token: Secret = Secret()


@dataclass(frozen=True, slots=True)
class EmailSpec:
    """A mail server and whom it is to tell."""

    name: str
    least: Literal["warning", "stop"]
    timeout: float
    host: str
    port: int
    security: Literal["starttls", "tls", "none"]
    to: tuple[str, ...]
    sender: str
    user: str = ""
    password: Secret = Secret()
    ca_file: str = ""


@dataclass(frozen=True, slots=True)
class AlarmSettings:
    """Who is told of alarms, and how often; seconds. What they mean is told in `benchrig.alarms.escalation`."""

    repeat: float = 300.0
    loud_repeat: float = 30.0
    quiet: float = 60.0
    per_minute: int = 6
    sound: Literal["off", "bell", "tones", "speech"] = "tones"
    callers: tuple[CommandSpec | WebhookSpec | EmailSpec, ...] = ()


@dataclass(frozen=True, slots=True)
class Bench:
    """Everything one bench file says. `mains` in Hz; `world` names the simulated bench behind `sim://` addresses."""

    file: str
    mains: float
    instruments: Mapping[str, InstrumentSpec]
    probes: Mapping[str, Probe] = field(default_factory=dict)
    world: str = ""
    alarms: AlarmSettings = AlarmSettings()

    def instrument(self, name: str) -> InstrumentSpec:
        """The instrument called `name`. Raises FileError that lists what there is."""
        return self._named(self.instruments, name, "instrument")

    def probe(self, name: str) -> Probe:
        """The probe called `name`. Raises FileError that lists what there is."""
        return self._named(self.probes, name, "probe")

    def _named(self, table: Mapping[str, Named], name: str, noun: str) -> Named:
        if name in table:
            return table[name]
        close = difflib.get_close_matches(name, table, n=1)
        cure = f"Did you mean {close[0]!r}?" if close else f"It has: {', '.join(table) or 'none'}."
        raise FileError(f"{self.file}: there is no {noun} {name!r} on this bench.", next_step=cure)


def _same(one: float, other: float) -> bool:
    """Equal to a hundredth: counts are written in a data sheet as they are shown."""
    return abs(one - other) < 0.01 * other
