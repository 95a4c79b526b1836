"""The simulated bench of the demo: a Skerry 14 and the instruments wired to it.

`build` is what the entry point `benchrig.doubles: skerry14` names.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from benchrig.clock import Clock

from . import fittings
from . import unit_figures as f
from .chassis import Chassis
from .hands import Hands
from .histories import Array, Value, one
from .picture import TubePicture
from .points import points
from .skerry14_camera import camera_before
from .supply_scpi import BenchSupply
from .world import World

SUPPLY_VOLTS, SUPPLY_AMPS, SUPPLY_DRAWN = 28.0, 3.0, 1.4  # V, A: ship's mains, of which it draws less than its fuse
# Where the leads hang before anybody moves them: input -> (point, via)
FIRST = {
    "scope.1": ("A2 TP21", ""),
    "scope.2": ("A4 TP42", ""),
    "meter": ("A1 TP1", ""),
    "handheld": ("A1 TP1", ""),
}
# What a control sets that is judged by eye or ruler -> (its law, factor to base units)
SETS: dict[str, tuple[Callable[[TubePicture], float], float]] = {
    "RV22": (TubePicture.gap_vertical, 1e-3),
    "RV23": (TubePicture.gap_horizontal, 1e-3),
    "RV31": (TubePicture.tile_width, 1e-3),
    "RV32": (TubePicture.tile_height, 1e-3),
    "ring A": (lambda picture: picture.off_centre()[0], 1e-3),
    "ring B": (lambda picture: picture.off_centre()[1], 1e-3),
    "intensity": (TubePicture.faintest_bar, 1.0),
    "RVX": (TubePicture.stick_x, 1.0),
    "RVY": (TubePicture.stick_y, 1.0),
}
CAMERA = "camera-mjpeg"  # the grammar of what looks at the tube and has no leads
ELSE = ("A1 TP1", "")  # the first input of any other instrument


def build(
    clock: Clock,
    seed: int = 0,
    *,
    tired: bool = True,
    mains: float = 50.0,
    powered: bool = True,
    card: str = "zero",
    feed: str = "supply",
    fit: Mapping[str, str] | None = None,
    faults: Sequence[str] = (),
) -> World:
    """The bench, at `clock.now()`.

    seed     how the unit arrives: 0 as the workshop's own example, others at random about it
    tired    False: a unit that is already right
    mains    hertz
    powered  switched on a few seconds before the job starts, and still cold
    card     the pattern plugged in
    feed     "supply": the unit's mains goes through the bench supply, whose output is on at first; "wall": past it
    fit      instrument name to a grammar of `fittings`, besides and in place of the usual ones
    faults   names of `chassis.FAULTS` or "scratchy RV22" and the like, there from the start
    """
    chassis = Chassis(clock, seed, tired=tired, mains=mains)
    world = World(clock, seed)
    world.nodes |= points(chassis)
    world.trimmers |= chassis.trimmers
    first = [
        jack
        for name, grammar in {**fittings.USUAL, **(fit or {})}.items()
        if grammar != CAMERA
        for jack in fittings.fit(world, name, grammar, mains)[:2]
    ]
    supply = _supply(world, chassis, feed)
    picture = TubePicture(chassis)
    for name, grammar in (fit or {}).items():
        if grammar == CAMERA:
            world.connect(name, camera_before(clock, chassis, picture, seed), "http")
    world.truths |= truths(chassis, picture)
    hands = Hands(world, chassis, picture, seed, press_feed=lambda: _press(supply))
    world.hands = hands
    for jack in first:
        if jack in FIRST or not jack.endswith(".2"):
            hands.probe(jack, *FIRST.get(jack, ELSE))
    hands.card(card)
    if powered:
        hands.power(True)
        chassis.settle()
    for name in faults:
        hands.fault(name)
    return world


def _supply(world: World, chassis: Chassis, feed: str) -> BenchSupply:
    """The bench supply, through which the unit's mains goes if `feed` says so."""
    supply = BenchSupply(world.clock, seed=world.seed, switch=chassis.feed if feed == "supply" else lambda on: None)
    supply.volts, supply.amps = SUPPLY_VOLTS, SUPPLY_AMPS
    supply.load = lambda volts: SUPPLY_DRAWN * chassis.powered
    supply.on = True
    world.connect("supply", supply)
    return supply


def _press(supply: BenchSupply) -> None:
    """The output key on the supply's front: on, unless its protection has tripped."""
    if not supply.tripped:
        supply.on = True


def truths(chassis: Chassis, picture: TubePicture) -> dict[str, Callable[[], float]]:
    """Every true value by name: test points in volts (the timer in seconds), sizes in millimetres, ohms, codes.

    "RV31 sets" is what that control sets, in base units: metres, counts.
    "A4 TP42" is the on-time, "A4 TP42 low" the off-time; "A4 TP41" is the overshoot as a fraction.
    """

    def now(law: Callable[[Array], Value]) -> Callable[[], float]:
        return lambda: one(law(np.array([chassis.clock.now()])))

    def rail(point: str) -> Callable[[], float]:
        return now(lambda times: chassis.rail(point, times))

    def half(number: int) -> Callable[[], float]:
        return now(lambda times: chassis.found.halves[number] * chassis.half_gain(number, times))

    def esr(name: str) -> Callable[[], float]:
        return lambda: chassis.esr(name)

    on, off = now(chassis.on_time), now(chassis.off_time)
    first, second = half(0), half(1)
    table = {point: rail(point) for point in f.RAILS}
    table |= {name: esr(name) for name in f.ESR}
    table |= {f"{name} position": trimmer.position for name, trimmer in chassis.trimmers.items()}
    table |= {
        f.HALVES[0]: first,
        f.HALVES[1]: second,
        "halves mismatch": lambda: 2.0 * abs(first() - second()) / max(first() + second(), 1e-9),
        "A1 F1": chassis.fuse_ohms,
        "A2 TP21": now(chassis.zero),
        "A2 TP22": picture.gap_vertical,
        "A2 TP23": picture.gap_horizontal,
        "A4 TP40": chassis.anode_volts,
        "A4 TP41": now(chassis.overshoot),
        "A4 TP42": on,
        "A4 TP42 low": off,
        "duty factor": lambda: on() / (on() + off()),
        "A5 TP51": chassis.hum,
        "tile width": picture.tile_width,
        "tile height": picture.tile_height,
        "aspect": picture.aspect,
        "margins left-right": lambda: picture.off_centre()[0],
        "margins top-bottom": lambda: picture.off_centre()[1],
        "gap vertical": picture.gap_vertical,
        "gap horizontal": picture.gap_horizontal,
        "intensity": picture.faintest_bar,
        "stick x": picture.stick_x,
        "stick y": picture.stick_y,
        "powered": lambda: float(chassis.powered),
    }
    return table | {f"{control} sets": set_by(picture, control) for control in SETS}


def set_by(picture: TubePicture, control: str) -> Callable[[], float]:
    """What a control of the picture sets, in base units: metres, counts."""
    law, factor = SETS[control]
    return lambda: factor * law(picture)
