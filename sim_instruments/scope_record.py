"""From a node to the codes in a scope's memory.

Rules kept: a record belongs to the settings at its acquisition and never changes afterwards; the converter rounds to
whole codes, adds its own noise and clips; the amplifier is one pole, and its gain is a little wrong; a wrong probe
factor scales the volts and nothing warns of it; ten million points take their bytes once and a passing chunk of floats.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import ceil, exp, pi

import numpy as np
from numpy.typing import NDArray

from .interfaces import Node
from .scope_front import FrontChannel, Geometry

Codes = NDArray[np.uint8]
_CHUNK = 1 << 19
_NOISE_CODES = 0.25  # RMS, of an eight-bit converter with its amplifier; common practice, no source
_AC_WINDOW = 0.2  # seconds whose mean AC coupling takes away; a few hertz of corner, common practice


@dataclass(frozen=True, slots=True)
class Input:
    """One channel as it stood at the acquisition, with what its probe touched."""

    node: Node | None
    channel: FrontChannel
    attenuation: float  # of the probe that is really there
    geometry: Geometry
    gain: float = 1.0  # of the amplifier; 1 is right

    def volts(self, start: float, interval: float, count: int) -> NDArray[np.float64]:
        """What the amplifier hands to the converter, in volts as shown, without noise."""
        if self.node is None or self.channel.coupling == "GND":
            return np.zeros(count)
        ohms = self.geometry.input_ohms * self.attenuation
        gain = ohms / (ohms + self.node.resistance) * self.channel.probe / self.attenuation * self.gain
        seen = self._filtered(self.node, start, interval, count)
        if self.channel.coupling == "AC":
            end = start + interval * count
            seen -= self.node.average(min(start, end - _AC_WINDOW), end)
        return seen * (-gain if self.channel.inverted else gain)

    def _filtered(self, node: Node, start: float, interval: float, count: int) -> NDArray[np.float64]:
        corner = self.geometry.limited if self.channel.limited else self.geometry.bandwidth
        decay = exp(-2 * pi * corner * interval)
        taps = ceil(np.log(1e-6) / np.log(decay)) if decay > 1e-6 else 1
        if taps <= 1:
            return np.array(node.samples(start, interval, count))
        kernel = (1 - decay) * decay ** np.arange(taps)
        before = taps - 1
        return np.convolve(node.samples(start - before * interval, interval, count + before), kernel, mode="valid")

    def codes(self, start: float, interval: float, count: int, noise: np.random.Generator) -> Codes:
        out = np.empty(count, dtype=np.uint8)
        size, g = self.channel.scale / self.geometry.per_division, self.geometry
        for begin in range(0, count, _CHUNK):
            length = min(_CHUNK, count - begin)
            level = (self.volts(start + begin * interval, interval, length) - self.channel.centre) / size
            level += _NOISE_CODES * noise.standard_normal(length, dtype=np.float32) + g.middle
            out[begin : begin + length] = np.clip(np.rint(level), g.low, g.high)
        return out


@dataclass(slots=True)
class ScopeRecord:
    """One acquisition. Times are clock seconds; t = 0 lies at `trigger`, the first point at t = `first`."""

    inputs: dict[int, Input]
    trigger: float
    triggered: bool
    first: float
    timebase: float
    geometry: Geometry
    rate: float
    depth: int
    seed: int
    _kept: dict[tuple[int, bool], Codes] = field(default_factory=dict)

    @property
    def start(self) -> float:
        return self.trigger + self.first

    @property
    def screen_interval(self) -> float:
        return self.timebase * self.geometry.across / self.geometry.points

    @property
    def finished(self) -> float:
        return self.start + self.timebase * self.geometry.across

    def codes(self, channel: int, *, deep: bool) -> Codes:
        """Codes of the screen or of the whole memory, worked out when first asked for."""
        key = (channel, deep)
        if key not in self._kept:
            noise = np.random.default_rng((self.seed, channel, int(deep)))
            interval = 1 / self.rate if deep else self.screen_interval
            count = self.depth if deep else self.geometry.points
            self._kept[key] = self.inputs[channel].codes(self.start, interval, count, noise)
        return self._kept[key]


def sampling(geometry: Geometry, timebase: float, depth: int | None, shown: int) -> tuple[float, int]:
    """Samples per second and points in memory for a screen of `timebase` seconds per division.

    Channels share the converter; automatic depth is the least that keeps the rate, or the greatest there is.
    """
    fastest = geometry.fastest / {0: 1, 1: 1, 2: 2}.get(shown, 4)
    span = timebase * geometry.across
    wanted = depth or next((d for d in geometry.depths if d >= span * fastest), geometry.depths[-1])
    rate = min(fastest, wanted / span)
    return rate, max(1, round(rate * span))


def frozen_input(
    node: Node | None, channel: FrontChannel, attenuation: float, geometry: Geometry, gain: float
) -> Input:
    """An input with its own copy of the channel's settings, the position already in its `centre`."""
    step = channel.scale / geometry.per_division
    centre = round(channel.middle / step) * step if geometry.whole_origin else channel.middle
    return Input(node, replace(channel, centre=centre, position=0.0), attenuation, geometry, gain)
