"""The converter of a bench meter: ranges, aperture, input resistance, autorange, noise, on the clock.

Rules kept: a DC reading is the mean over its aperture, so only a whole number of line periods rejects hum; auto-zero
takes a second, internal conversion and halves the pace; AUTO goes up above 120 % and down below 10 % of the range, one
range at a time, each hop costing a moment; beyond 120 % of a fixed range there is no number, only the overload value.
The loading of the source by the input is in the reading, and so are the errors that a year leaves a meter. What
alternates is never shown below zero, and never less than the converter's own noise.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from math import copysign, hypot, inf, isinf, sin

import numpy as np

from .interfaces import Inputs, Node, Resistive, node_at
from .scope_acquire import crossings
from .scpi_values import OVERLOAD

VOLTS = (0.1, 1.0, 10.0, 100.0, 1000.0)
RANGES: dict[str, tuple[float, ...]] = {
    "VOLT": VOLTS,
    "VOLT:AC": (0.1, 1.0, 10.0, 100.0, 750.0),
    "CURR": (0.01, 0.1, 1.0, 3.0),
    "CURR:AC": (1.0, 3.0),
    "RES": (1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8),
    "FRES": (1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8),
    "CONT": (1e3,),
    "DIOD": (1.0,),
    "FREQ": (0.1, 1.0, 10.0, 100.0, 750.0),
    "PER": (0.1, 1.0, 10.0, 100.0, 750.0),
}
APERTURE_FUNCTIONS = ("VOLT", "CURR", "RES", "FRES")
OHMS_FUNCTIONS = ("RES", "FRES", "CONT", "DIOD")
# What a year allows, as parts of the reading and of the range (common for the 34401A class, 23 +- 5 degC, no source).
ALLOWED: dict[str, tuple[float, float]] = {
    "VOLT": (3.5e-5, 5e-6),
    "VOLT:AC": (6e-4, 0.0),
    "CURR": (5e-4, 0.0),
    "CURR:AC": (1e-3, 0.0),
    "RES": (1e-4, 1e-5),
    "FRES": (1e-4, 1e-5),
    "CONT": (1e-4, 2e-4),
    "DIOD": (1e-4, 2e-4),
    "FREQ": (1e-4, 0.0),
    "PER": (1e-4, 0.0),
}
_AC_FLOOR = 1e-4  # of the range, RMS, with the leads shorted: "0.03 %" is allowed (34401A class, no source)
_LEAST_PACE = 1e-3  # seconds per reading, however short the aperture: 1000 readings a second (34401A class)
_HOP = 0.03  # seconds of one autorange hop: "tens of ms", common practice
_AC_TIME = {
    3.0: 7.0,
    20.0: 1.0,
    200.0: 0.1,
}  # seconds per reading by filter corner (common for the 34401A class, no source)
_TEST_CURRENT = {
    1e2: 1e-3,
    1e3: 1e-3,
    1e4: 1e-4,
    1e5: 1e-5,
    1e6: 5e-6,
    1e7: 5e-7,
    1e8: 5e-7,
}  # common for the class, no source
_FREQUENCY_POINTS = 20_000


@dataclass(slots=True)
class Sense:
    """Settings of one function."""

    range: float
    auto: bool = True
    nplc: float = 10.0
    once: bool = False


@dataclass(slots=True)
class ConverterSettings:
    """Settings of the converter. `high_impedance`: over 10 Gohm on the three lowest DC voltage ranges."""

    senses: dict[str, Sense]
    function: str = "VOLT"
    zero: bool = True
    high_impedance: bool = False
    corner: float = 20.0
    gate: float = 0.1

    @classmethod
    def fresh(cls, nplc: float) -> ConverterSettings:
        return cls({name: Sense(ranges[min(2, len(ranges) - 1)], nplc=nplc) for name, ranges in RANGES.items()})

    @property
    def sense(self) -> Sense:
        return self.senses[self.function]


Conversion = Generator[float, float, tuple[float, float]]


@dataclass(slots=True)
class Converter:
    """One measurement at a time. `error`, -1 to +1: the part of what is allowed that a calibration would find."""

    inputs: Inputs
    mains: float
    rng: np.random.Generator
    settings: ConverterSettings
    terminal: int = 1
    error: float = 0.0
    hop_overload: bool = False  # show an overload instead of waiting while ranging up

    @property
    def node(self) -> Node | None:
        return node_at(self.inputs, self.terminal)

    @property
    def input_resistance(self) -> float:
        """Ohms across the terminals in the present function and range."""
        s = self.settings
        if s.function in ("VOLT:AC", "FREQ", "PER"):
            return 1e6
        if s.function.startswith("CURR"):
            return 0.1
        return 1e10 if s.high_impedance and s.function == "VOLT" and s.sense.range <= 10 else 1e7

    def aperture(self) -> float:
        """Seconds over which the input is looked at."""
        s = self.settings
        if s.function in ("FREQ", "PER"):
            return s.gate
        if s.function in ("VOLT:AC", "CURR:AC"):
            return _AC_TIME[s.corner]
        return (s.sense.nplc if s.function in APERTURE_FUNCTIONS else 1.0) / self.mains

    def pace(self) -> float:
        """Seconds from one reading to the next."""
        doubled = self.settings.zero and self.settings.function in APERTURE_FUNCTIONS
        return max(_LEAST_PACE, self.aperture() * (2 if doubled else 1))

    def convert(self, start: float) -> Conversion:
        """One reading begun at `start`: yields the times it waits for, returns its end and its value."""
        s = self.settings
        ranges = RANGES[s.function]
        while True:
            end = start + self.aperture()
            now = start
            while now < end:
                now = yield end
            size = self._magnitude(start, end)
            step = self._hop(abs(size), ranges)
            if not step or self.hop_overload:
                break
            s.sense.range = ranges[ranges.index(s.sense.range) + step]
            start = end + _HOP
        value = self._value(size)
        if step:
            s.sense.range = ranges[ranges.index(s.sense.range) + step]
        if s.sense.once:
            s.sense.auto, s.sense.once = False, False
        done = start + self.pace()
        while now < done:
            now = yield done
        return done, value

    def _hop(self, size: float, ranges: tuple[float, ...]) -> int:
        sense = self.settings.sense
        at = ranges.index(sense.range)
        if not (sense.auto or sense.once):
            return 0
        if self.settings.function in ("FREQ", "PER"):
            return 0
        if size > 1.2 * sense.range:
            return int(at + 1 < len(ranges))
        return -int(at > 0 and size < 0.1 * sense.range)

    def _value(self, size: float) -> float:
        s = self.settings
        of_reading, of_range = (self.error * part for part in ALLOWED[s.function])
        if s.function in ("FREQ", "PER"):
            return size * (1.0 + of_reading)
        most = s.sense.range * (1.0 if s.sense.range >= 750 and s.function.startswith("VOLT") else 1.2)
        if isinf(size) or abs(size) > most:
            return copysign(OVERLOAD, size)
        noise = s.sense.range * self.noise() * float(self.rng.standard_normal())
        if s.function.endswith(":AC"):
            return abs(hypot(size * (1.0 + of_reading), _AC_FLOOR * s.sense.range) + noise)
        return size * (1.0 + of_reading) + s.sense.range * of_range + noise

    def noise(self) -> float:
        """RMS of one reading as a fraction of range: a third of the resolution of its aperture."""
        return 0.3 * resolution_of(self.settings.sense.nplc)

    def _magnitude(self, start: float, end: float) -> float:
        function = self.settings.function
        if function in OHMS_FUNCTIONS:
            return self._ohms(start, end)
        if function.startswith("CURR"):
            return 0.0
        if function in ("FREQ", "PER"):
            return self._rate(start, end)
        node = self.node
        if node is None:
            floating = function == "VOLT" and self.input_resistance > 1e9
            return 0.3 + 0.2 * sin(0.13 * end) if floating else 0.0
        share = self.input_resistance / (self.input_resistance + node.resistance)
        return share * (node.average(start, end) if function == "VOLT" else node.rms(start, end))

    def _ohms(self, start: float, end: float) -> float:
        """Ohms from the voltage that the test current makes; a live node falsifies it, as it does on a bench."""
        node = self.node
        if not isinstance(node, Resistive):
            return inf
        current = _TEST_CURRENT[self.settings.sense.range] if self.settings.function != "DIOD" else 1e-3
        ohms = node.ohms(end) + node.average(start, end) / current
        return ohms * current if self.settings.function == "DIOD" else ohms

    def _rate(self, start: float, end: float) -> float:
        """Hertz, or seconds of one period, between the first and the last like edge in the gate; 0 without two."""
        node = self.node
        if node is None:
            return 0.0
        interval = (end - start) / _FREQUENCY_POINTS
        volts = node.samples(start, interval, _FREQUENCY_POINTS)
        swing = float(np.ptp(volts))
        if swing < 0.02:
            return 0.0
        edges = crossings(volts, float(volts.mean()), swing / 10, True)
        if len(edges) < 2:
            return 0.0
        period = float(edges[-1] - edges[0]) * interval / (len(edges) - 1)
        return period if self.settings.function == "PER" else 1 / period


# Resolution as a fraction of range, by power line cycles (34401A class).
_RESOLUTIONS = ((0.02, 1e-4), (0.2, 1e-5), (1.0, 3e-6), (10.0, 1e-6), (100.0, 3e-7))


def cycles_for(fraction: float) -> float:
    """The shortest aperture, in power line cycles, that resolves `fraction` of a range."""
    return next((nplc for nplc, found in _RESOLUTIONS if found <= fraction * (1 + 1e-9)), 100.0)


def resolution_of(nplc: float) -> float:
    """Resolution at `nplc` as a fraction of range."""
    return next((r for n, r in _RESOLUTIONS if nplc <= n), _RESOLUTIONS[-1][1])
