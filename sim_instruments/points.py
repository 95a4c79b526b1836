"""The Skerry 14's test points as nodes: each law of the chassis behind its source resistance, with its ripple.

Rules kept here: a node is asked in closed form; it knows every moment at which its law has a corner, and only
those, so that a quiet average is cheap.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import partial
from typing import Protocol

import numpy as np

from . import unit_figures as f
from .chassis import DEAD, Chassis
from .histories import Array, Value
from .interfaces import Node
from .nodes import Analogue, Resistor, Steady, Tones
from .pulses import Drawn, Strokes


class HasCorners(Protocol):
    """Something with corners in time."""

    def breaks(self, start: float, stop: float) -> Sequence[float]: ...


def corners_of(*sources: HasCorners) -> Callable[[float, float], Sequence[float]]:
    """One sorted list of the corners of all of them."""

    def breaks(start: float, stop: float) -> Sequence[float]:
        found: list[float] = []
        for source in sources:
            found += source.breaks(start, stop)
        return sorted(set(found)) if found else found

    return breaks


def points(chassis: Chassis) -> dict[str, Node]:
    """A node for every test point, by name."""
    nodes: dict[str, Node] = {point: _rail(chassis, point) for point in f.RAILS}
    nodes |= {name: _half(chassis, number) for number, name in enumerate(f.HALVES)}
    nodes |= {name: Resistor(partial(_esr, chassis, name)) for name in f.ESR}
    nodes["A1 F1"] = Resistor(lambda when: chassis.fuse_ohms())
    nodes["A2 TP21"] = _zero(chassis)
    nodes["A2 TP22"], nodes["A2 TP23"] = _ramp(chassis, "RV22"), _ramp(chassis, "RV23")
    nodes["A4 TP40"] = _kilovolts(chassis)
    nodes["A4 TP41"], nodes["A4 TP42"] = chassis.line, chassis.timer
    nodes["A5 TP51"] = _speaker(chassis)
    nodes["ground"] = Steady(0.0)
    return nodes


def _nothing(times: Array) -> Value:
    return 0.0


def _esr(chassis: Chassis, name: str, when: float) -> float:
    return chassis.esr(name)


def _wander(chassis: Chassis, number: int, volts: float) -> list[tuple[float, float, float]]:
    """What keeps the last digit of a meter alive: a handful of slow tones with phases of the seed's."""
    phases = np.random.default_rng((chassis.seed, number)).uniform(0.0, 2.0 * math.pi, 5)
    return [(volts / 3.0, 0.031 * 3.3**n, float(phase)) for n, phase in enumerate(phases)]


def _rail(chassis: Chassis, point: str) -> Node:
    """Regulated volts with ripple; a dry capacitor lets the sawtooth of the rectifier through."""
    volts, _, ohms = f.RAILS[point]
    twice = 2.0 * chassis.mains
    ripple = [(f.RIPPLE / n, n * twice, 0.4 * n) for n in (1, 2, 3)]
    faults = [chassis.faults[name] for name in (DEAD[point], "dead half", "leaky capacitor")]
    return Analogue(
        partial(chassis.rail, point),
        resistance=ohms,
        tones=Tones.of(*_wander(chassis, int(point[-1]), 2e-5 * abs(volts)), *ripple),
        gain=partial(chassis.ripple_gain, point),
        breaks=corners_of(chassis.power, chassis.warmth, chassis.fuse, *faults),
    )


def _half(chassis: Chassis, number: int) -> Node:
    peak = chassis.found.halves[number] * math.sqrt(2.0)
    return Analogue(
        _nothing,
        resistance=f.HALF_OHMS,
        tones=Tones.of((peak, chassis.mains, math.pi * number), (0.02 * peak, 3.0 * chassis.mains, 0.3)),
        gain=partial(chassis.half_gain, number),
        breaks=corners_of(chassis.mains_on, chassis.fuse, chassis.faults["dead half"]),
    )


def _zero(chassis: Chassis) -> Node:
    corners = np.random.default_rng((chassis.seed, 21)).uniform(-f.BUSY_VOLTS, f.BUSY_VOLTS, 40)
    corners[0], corners[1] = f.BUSY_VOLTS, -f.BUSY_VOLTS
    faults = [chassis.faults[name] for name in ("converter", "dead -5.2 V")]
    return Drawn(
        chassis.zero,
        Strokes(f.FRAME, corners.tolist()),
        chassis.drawing,
        resistance=f.ZERO_OHMS,
        gain=chassis.alive,
        breaks=corners_of(chassis.power, chassis.warmth, chassis.fuse, chassis.trimmers["RV21"], *faults),
    )


def _ramp(chassis: Chassis, trimmer: str) -> Node:
    strokes = Strokes(f.FRAME, [*np.linspace(0.0, f.RAMP_VOLTS, 37).tolist(), f.RAMP_VOLTS / 2.0])
    return Drawn(
        _nothing,
        strokes,
        lambda start, stop: [(start, stop, 0.0)],
        resistance=f.RAMP_OHMS,
        gain=partial(chassis.ramp_gain, trimmer),
    )


def _kilovolts(chassis: Chassis) -> Node:
    parts = (chassis.power, chassis.warmth, chassis.drive, chassis.stored, chassis.absorbed, chassis.fuse)
    faults = [chassis.faults[name] for name in ("runaway EHT", "dead half", "leaky capacitor")]
    return Analogue(
        chassis.eht,
        resistance=f.EHT_OHMS,
        tones=Tones.of(*_wander(chassis, 40, 1.5)),
        gain=chassis.drive.at,
        breaks=corners_of(*parts, *faults, chassis.trimmers["RV41"], chassis.trimmers["RV43"]),
    )


def _speaker(chassis: Chassis) -> Node:
    peak = chassis.found.hum * math.sqrt(2.0)
    twice = 2.0 * chassis.mains
    faults = [chassis.faults[name] for name in ("hum", "leaky capacitor")]
    return Analogue(
        _nothing,
        resistance=f.HUM_OHMS,
        tones=Tones.of((peak, twice, 0.2), (0.3 * peak, chassis.mains, 1.0), (0.2 * peak, 2.0 * twice, 0.5)),
        gain=chassis.hum_gain,
        breaks=corners_of(chassis.power, chassis.fuse, *faults),
    )
