"""The numbers of the Skerry 14, all of them, and the state in which one arrives.

The unit is invented: a ship's-bridge vector chart display of 1981, as Lantern Lane Instrument Repair sees it.
Volts, ohms, farads, seconds, degrees of turn; sizes on the screen in millimetres. The simulated chassis and the
picture take every figure from here; windows of acceptance belong to the procedures.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

# Supplies: test point -> (volts, how far a healthy one may be off, source ohms)
RAILS: dict[str, tuple[float, float, float]] = {
    "A1 TP1": (12.0, 0.15, 0.05),
    "A1 TP2": (5.0, 0.04, 0.05),
    "A1 TP3": (-12.0, 0.15, 0.05),
    "A1 TP4": (-5.2, 0.06, 0.05),
}
RAIL_DRIFT = -1.0e-4  # of its volts, cold to warm; some -1 mV per 10 degrees, as regulators do
RIPPLE = 0.0008  # V peak at twice the mains frequency, regulated
LEAKY_RIPPLE = 0.35  # V peak, with a dried-out filter capacitor
HALF_WAVE_RIPPLE = 40.0  # times as much, with one half of the secondary gone
RAIL_RISE, RAIL_FALL = 0.04, 0.35  # s, after switching on and off

HALVES = ("A1 T1 half 1", "A1 T1 half 2")
HALF_VOLTS = 9.8  # V RMS
HALF_OHMS = 0.8
HALF_MATCH = 0.01  # a healthy pair differs by no more than this
FUSE_OHMS, FUSE_LEADS = 0.35, 0.12

# Warmth: 0 cold, 1 warm
WARM_UP, COOL_DOWN = 300.0, 900.0  # s
WARM_DEGREES = 15.0  # K above the room

# X DAC zero
ZERO_PER_TURN = 6e-3  # V per turn of RV21
ZERO_DRIFT = 30e-6  # V per K
ZERO_OHMS = 600.0
ZERO_FOUND = -41e-3
CONVERTER_OFFSET = 0.35  # V, with the converter or its reference gone
TEXT_SECONDS, BLANK_SECONDS = 3.0, 2.0  # pattern `zero`
FRAME = 0.020  # s; a picture is drawn again and again
BUSY_VOLTS = 2.0  # V peak

# Drive timer: diode-steered astable on A4
TIMER_FARADS = 1.0e-9
ON_OHMS, ON_TRIM = 15e3, 10e3  # R1, RV43
OFF_OHMS, OFF_TRIM = 50e3, 25e3  # R2, RV44
OFF_FOLLOWS_ON = 0.15
ON_TIME, OFF_TIME = 14.0e-6, 46.0e-6
DRIVE_LOW, DRIVE_HIGH, DRIVE_EDGE, DRIVE_OHMS = 0.15, 11.2, 0.12e-6, 100.0

# Line driver
LINE_LOW, LINE_HIGH, LINE_EDGE, LINE_OHMS = 0.0, 20.0, 0.12e-6, 75.0
RING_FREQUENCY, RING_TAU = 1.2e6, 1.5e-6
RING_LEAST = 0.03  # overshoot with RV42 where it should be
RING_GROWS = 4.8e-5  # overshoot per square degree away from there
RING_MOST = 0.6

# Kilovolts
EHT = 9400.0  # V, warm, drive and rail at nominal
EHT_FOUND = 10_100.0
EHT_PER_DEGREE = 0.24 / 270.0  # of nominal, per degree of RV41
EHT_PER_ON_TIME = 0.006 / 0.1e-6  # +0.6 % per 0.1 us
EHT_WARM_UP = 0.012
EHT_OHMS = 1e5  # regulated: a probe of 1 Gohm takes a ten-thousandth
EHT_RISE = 0.4  # s
ANODE_FARADS = 1e-9  # tube to its coating
ANODE_LEAK = 20e9  # ohm; the tube holds its charge for minutes
EHT_PROBE = (999e6, 1.1111111e6)  # ohm over ohm; 1000:1 into 10 Mohm
EHT_PROBE_ALLOWED = 0.01  # of its ratio
COMES_BACK = 0.003  # of the voltage, by dielectric absorption, within a minute or so
COMES_BACK_TAU = 25.0
RUNAWAY = 0.22  # more than it should be
RUNAWAY_TAU = 4.0
HAZARDOUS = 60.0  # V DC; the limit that published meter manuals warn of

# Ramps
RAMP_VOLTS, RAMP_OHMS = 5.0, 1e3
GAP_PER_DEGREE = 0.02  # mm
RAMP_PER_DEGREE = 0.001  # of the ramp's volts

# Picture
TILE = 18.0  # mm
ACROSS, DOWN = 10, 8  # tiles
SIZE_PER_DEGREE = 0.0012  # of the size, RV31 and RV32
RING_SHIFT, RING_CROSS = 0.10, 0.025  # mm per degree, along and across
RING_SIZE = 0.0002  # of the size per degree
SIZE_SHIFT = 0.04  # mm of centring per mm of picture
BAR_DEGREES = 15.0  # of the intensity knob, per brightness bar
BARS = 7
NO_PICTURE_BELOW = 4000.0  # V
STICK_CENTRE, STICK_PER_DEGREE = 128.0, 0.25

# Loudspeaker
HUM_FOUND, HUM_FAULT, HUM_LEAK, HUM_OHMS = 0.004, 0.045, 0.012, 8.0  # V RMS at twice the mains frequency

# Series resistance of capacitors: name -> (new, tired at the most), ohm
ESR: dict[str, tuple[float, float]] = {
    "A1 C101": (0.05, 0.12),
    "A1 C102": (0.05, 0.12),
    "A4 C401": (0.40, 0.90),
}
ESR_DRY = 6.0  # times, when dried out

# Controls: name -> (travel in degrees, backlash, lag in s)
SINGLE, TWENTY, NECK = (270.0, 2.0, 0.06), (7200.0, 2.0, 0.06), (180.0, 2.0, 0.02)
CONTROLS: dict[str, tuple[float, float, float]] = {
    "RV21": TWENTY,
    "RV22": SINGLE,
    "RV23": SINGLE,
    "RV31": SINGLE,
    "RV32": SINGLE,
    "ring A": NECK,
    "ring B": NECK,
    "RV41": SINGLE,
    "RV42": SINGLE,
    "RV43": SINGLE,
    "RV44": SINGLE,
    "intensity": (270.0, 2.0, 0.02),
    "RVX": SINGLE,
    "RVY": SINGLE,
}

# How far a tired unit's controls stand from where they belong: name -> (mean, spread), degrees, either way.
# RV21 and RV41 are left out: they follow from ZERO_FOUND and EHT_FOUND.
ASTRAY: dict[str, tuple[float, float]] = {
    "RV22": (45.0, 10.0),
    "RV23": (40.0, 10.0),
    "RV31": (45.0, 10.0),
    "RV32": (45.0, 10.0),
    "ring A": (30.0, 8.0),
    "ring B": (25.0, 8.0),
    "RV42": (55.0, 8.0),
    "RV43": (24.0, 5.0),
    "RV44": (28.0, 6.0),
    "intensity": (30.0, 6.0),
    "RVX": (25.0, 6.0),
    "RVY": (25.0, 6.0),
}


@dataclass(frozen=True, slots=True)
class UnitAsFound:
    """One unit as it arrives.

    right     control -> degrees at which it belongs (of RV41 and the timer: with nominal parts)
    astray    control -> degrees away from there
    rails     test point -> volts
    halves    the two halves of the secondary, V RMS
    zero      X DAC zero, V, cold
    eht       kilovolts it would show warm, V
    hum       V RMS
    esr       capacitor -> ohm
    play      control -> degrees of backlash
    """

    right: dict[str, float]
    astray: dict[str, float]
    rails: dict[str, float]
    halves: tuple[float, float]
    zero: float
    eht: float
    hum: float
    esr: dict[str, float]
    play: dict[str, float]


def right_place(name: str, chance: random.Random) -> float:
    """Degrees at which a control belongs: near the middle; of a timer trimmer where its formula says."""
    travel = CONTROLS[name][0]
    if name == "RV43":
        return travel * (ON_TIME / (math.log(2.0) * TIMER_FARADS) - ON_OHMS) / ON_TRIM
    if name == "RV44":
        rest = OFF_TIME - OFF_FOLLOWS_ON * ON_TIME
        return travel * (rest / (math.log(2.0) * TIMER_FARADS) - OFF_OHMS) / OFF_TRIM
    return travel * chance.uniform(0.45, 0.55)


def found(seed: int, *, tired: bool = True) -> UnitAsFound:
    """The unit with this seed. Seed 0 arrives as the workshop's own example; `tired` False: everything is right."""
    chance = random.Random(f"skerry14 {seed}")
    spread = 1.0 if seed else 0.0
    right = {name: right_place(name, chance) for name in CONTROLS}
    astray = {
        name: chance.choice((-1.0, 1.0)) * (mean + spread * chance.uniform(-wide, wide))
        for name, (mean, wide) in ASTRAY.items()
    }
    astray["RV43"] = abs(astray["RV43"])  # too long an on-time is what drives the kilovolts up with age
    play = {name: backlash * chance.uniform(0.25, 1.0) for name, (_, backlash, _) in CONTROLS.items()}
    rails = {name: volts + chance.uniform(-off, off) for name, (volts, off, _) in RAILS.items()}
    half = HALF_VOLTS * (1.0 + chance.uniform(-0.02, 0.02))
    zero = ZERO_FOUND + spread * chance.uniform(-8e-3, 8e-3)
    eht = EHT_FOUND + spread * chance.uniform(-100.0, 80.0)
    if not tired:
        astray, zero, eht = dict.fromkeys(ASTRAY, 0.0), 0.0, EHT
    return UnitAsFound(
        right=right,
        astray=astray,
        rails=rails,
        halves=(half, half * (1.0 + chance.uniform(-HALF_MATCH, HALF_MATCH))),
        zero=zero,
        eht=eht,
        hum=HUM_FOUND * (1.0 + 0.5 * spread * chance.uniform(-1.0, 1.0)),
        esr={name: new + (worst - new) * chance.random() for name, (new, worst) in ESR.items()},
        play=play,
    )
