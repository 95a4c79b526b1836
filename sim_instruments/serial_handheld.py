"""The measuring half of a handheld: from a node to a `SerialPanel`, one conversion at a time.

Rules kept: the reading is the mean (or RMS) over the conversion, loaded by the input; AUTO steps up when the counts are
exceeded, showing one overload on the way, and down below a twelfth of them; holding, REL and MIN/MAX fix the range.
The errors that its data sheet allows are in the reading; what alternates has no sign.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from math import inf, isinf

import numpy as np

from .interfaces import Inputs, Node, Resistive, node_at
from .scope_acquire import crossings
from .serial_panel import Knob, PanelRange, SerialPanel

# Part of the reading that a year allows, and counts (3.5-digit class data sheets: common for the class, no source).
Allowed = Mapping[str, tuple[float, float]]
ALLOWED: Allowed = {"dc": (0.005, 2.0), "ac": (0.01, 5.0), "resistance": (0.008, 3.0)}
_OTHER = (0.01, 3.0)
_DOWN = 0.083  # of full scale: "8..10 %", common practice
_FREQUENCY_POINTS = 10_000


class Handset:
    """What all meters around a `Handheld` offer to fingers and to the bench."""

    meter: Handheld

    @property
    def input_resistance(self) -> float:
        """Ohms between its leads now."""
        return self.meter.input_resistance

    @property
    def error(self) -> float:
        """-1 to +1: the part of what its data sheet allows that a calibration would find."""
        return self.meter.error

    @error.setter
    def error(self, part: float) -> None:
        self.meter.error = part

    def hold(self, on: bool = True) -> None:
        """The HOLD key."""
        self.meter.hold(on)

    def low_battery(self, on: bool = True) -> None:
        """The battery goes flat, or is changed."""
        self.meter.low_battery = on


class Handheld:
    """A handheld with its leads on `inputs[1]`.

    Attributes are what fingers and time change: `knob`, `low_battery`, `held`, `relative`, `extreme` ("", "min",
    "max"), `auto`, and `error`, -1 to +1: the part of what `allowed` gives that a calibration would find.
    """

    def __init__(
        self, inputs: Inputs, knobs: Knob, *, knob: str, seed: int, live_hold: bool, allowed: Allowed = ALLOWED
    ) -> None:
        self._inputs = inputs
        self._knobs = knobs
        self._rng = np.random.default_rng(seed)
        self._live_hold = live_hold
        self.low_battery = False
        self._allowed = allowed
        self.error = 0.0
        self.turn(knob)

    def turn(self, knob: str) -> None:
        """Turn the knob: every special mode ends. Raises KeyError for a position it has not got."""
        self.ranges = self._knobs[knob]
        self.knob = knob
        self.reset()

    def reset(self) -> None:
        """As after switching on: AUTO, no hold, no REL, no MIN/MAX."""
        self.auto = len(self.ranges) > 1
        self.at = 0
        self.held = False
        self.extreme = ""
        self._base: float | None = None
        self._relative = False
        self._kept: float | None = None
        self._image: SerialPanel | None = None

    # Keys

    def hold(self, on: bool = True) -> None:
        self.held = on
        self.auto = self.auto and not (on and self._live_hold)

    @property
    def relative(self) -> bool:
        return self._relative

    @relative.setter
    def relative(self, on: bool) -> None:
        self._relative, self._base = on, None
        self.auto = self.auto and not on

    def keep(self, extreme: str) -> None:
        """Show the least ("min") or greatest ("max") reading since now; "" ends it."""
        self.extreme, self._kept = extreme, None
        self.auto = self.auto and not extreme

    def fix_range(self, at: int) -> None:
        self.at, self.auto = at, False

    def automatic(self) -> None:
        self.auto, self._relative, self.extreme = len(self.ranges) > 1, False, ""

    # Measuring

    @property
    def range(self) -> PanelRange:
        return self.ranges[self.at]

    @property
    def input_resistance(self) -> float:
        return self.range.ohms

    def convert(self, start: float, stop: float) -> SerialPanel:
        """What the display shows after a conversion over this time, flags and all."""
        if self.held and not self._live_hold and self._image is not None:
            return replace(self._image, hold=True, low_battery=self.low_battery)
        panel = self._shown(self._measure(start, stop))
        self._image = panel
        return panel

    def _shown(self, value: float) -> SerialPanel:
        chosen = self.range
        counts = value / chosen.count
        if not isinf(counts):
            of_reading, further = (self.error * part for part in self._allowed.get(self.knob.split()[0], _OTHER))
            counts += counts * of_reading + further + 0.2 * float(self._rng.standard_normal())
            counts = abs(counts) if self.knob.startswith("ac ") else counts
            counts = self._kept_or(self._less_base(counts))
        over = abs(counts) > chosen.full
        panel = self._panel(chosen, 0 if over else round(abs(counts)), counts < 0, over)
        self._step(counts)
        return panel

    def _less_base(self, counts: float) -> float:
        if not self._relative:
            return counts
        self._base = counts if self._base is None else self._base
        return counts - self._base

    def _kept_or(self, counts: float) -> float:
        if not self.extreme:
            return counts
        pick = min if self.extreme == "min" else max
        self._kept = counts if self._kept is None else pick(self._kept, counts)
        return self._kept

    def _step(self, counts: float) -> None:
        if not self.auto:
            return
        if abs(counts) > self.range.full and self.at + 1 < len(self.ranges):
            self.at += 1
        elif self.at and abs(counts) < _DOWN * self.range.full:
            self.at -= 1

    def _panel(self, chosen: PanelRange, counts: int, minus: bool, over: bool) -> SerialPanel:
        return SerialPanel(
            counts, chosen.decimals, chosen.prefix, chosen.unit,
            minus=minus and (counts > 0 or over), overload=over,
            ac=self.knob.startswith("ac "), dc=self.knob.startswith("dc ") or self.knob == "diode",
            auto=self.auto, hold=self.held, relative=self._relative,
            minimum=self.extreme == "min", maximum=self.extreme == "max", low_battery=self.low_battery,
            diode=self.knob == "diode", beeper=self.knob == "continuity",
        )  # fmt: skip

    def _measure(self, start: float, stop: float) -> float:
        node = node_at(self._inputs, 1)
        if self.knob in ("resistance", "continuity", "diode"):
            return self._ohms(node, start, stop)
        if node is None or self.range.unit not in ("V", "Hz"):
            return 0.0
        if self.range.unit == "Hz":
            return _hertz(node, start, stop)
        share = self.range.ohms / (self.range.ohms + node.resistance)
        return share * (node.rms(start, stop) if self.knob.startswith("ac ") else node.average(start, stop))

    def _ohms(self, node: Node | None, start: float, stop: float) -> float:
        """Ohms, or diode volts at 1 mA; a live node falsifies them."""
        if not isinstance(node, Resistive):
            return inf
        ohms = node.ohms(stop) + node.average(start, stop) / 1e-3
        return ohms * 1e-3 if self.knob == "diode" else ohms


def _hertz(node: Node, start: float, stop: float) -> float:
    interval = (stop - start) / _FREQUENCY_POINTS
    volts = node.samples(start, interval, _FREQUENCY_POINTS)
    swing = float(np.ptp(volts))
    edges = crossings(volts, float(volts.mean()), swing / 10, True) if swing > 0.05 else volts[:0]
    return (len(edges) - 1) / (float(edges[-1] - edges[0]) * interval) if len(edges) > 1 else 0.0
