"""What a person can do at the simulated bench, and what a person sees there.

Rules kept here: each act happens now and at once (taking time is the operator's business); each look is honest,
with a person's error; an act that would hurt somebody at a real bench is done all the same and written down in
`incidents`, so that a rehearsal can be held against it.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping

from . import unit_figures as f
from .chassis import Chassis
from .fittings import drawn_error
from .interfaces import Node
from .nodes import through_divider
from .picture import TubePicture
from .trimmer import SimulatedTrimmer
from .world import Unknown, World, find

# How well each length is read: name -> (how many of it are measured at once, smallest step seen, standard error), mm
LENGTHS: dict[str, tuple[int, float, float]] = {
    "tile width": (f.ACROSS, 0.5, 0.2),
    "tile height": (f.DOWN, 0.5, 0.2),
    "margins left-right": (1, 0.5, 0.2),
    "margins top-bottom": (1, 0.5, 0.2),
    "gap vertical": (1, 0.1, 0.05),  # with a magnifier
    "gap horizontal": (1, 0.1, 0.05),
}
ANODE = "A4 TP40"
JUMPS = 4.0  # degrees of a wiper's crackle that the eye sees on the screen
PROBED = {"eht_probe": f.EHT_PROBE}
_PATTERNS = ("", "zero", "grid", "lattice", "wedge", "stick")


class Hands:
    """The hands at one Skerry 14. `in_place` holds what was put in place (isolation, covers, ground clip ...)."""

    def __init__(
        self,
        world: World,
        chassis: Chassis,
        picture: TubePicture,
        seed: int = 0,
        press_feed: Callable[[], None] = lambda: None,
    ) -> None:
        self._world = world
        self._chassis = chassis
        self._picture = picture
        self._press_feed = press_feed
        self._random = random.Random(f"hands {seed}")
        self._probe_error = f.EHT_PROBE_ALLOWED * drawn_error(f"{seed} probe")
        self._points: dict[str, tuple[str, str]] = {}  # input -> (point, via)
        self.in_place: set[str] = set()
        self.marks: dict[str, float] = {}
        self.incidents: list[str] = []

    # Controls

    def controls(self) -> dict[str, float]:
        """Every control that can be turned, with its travel in degrees."""
        return {name: trimmer.travel for name, trimmer in self._chassis.trimmers.items()}

    def turn(self, trimmer: str, degrees: float) -> float:
        """Turn a control, clockwise positive; returns the degrees it moved."""
        return self._control(trimmer).turn(degrees)

    def position(self, trimmer: str) -> float:
        """Degrees at which the slot of a control stands."""
        return self._control(trimmer).shaft

    def clean(self, trimmer: str) -> None:
        """Cleaner and a few sweeps; with the power off, as it should be done."""
        if self._chassis.powered:
            self._incident(f"{trimmer} was cleaned with the power on")
        self._live(f"a hand went to {trimmer} to clean it")
        self._control(trimmer).clean()

    def tap(self, trimmer: str) -> bool:
        """Tap a control's body without turning it; True if what it sets is seen to jump: its wiper is scratchy."""
        control = self._control(trimmer)
        return self._picture.there and control.roughness * control.travel > JUMPS

    def mark(self, trimmer: str) -> float:
        """Mark where a control stands; returns the degrees."""
        self.marks[trimmer] = self._control(trimmer).shaft
        return self.marks[trimmer]

    # Power, pattern, what is put in place

    def power(self, on: bool) -> None:
        """The unit's own switch; to switch on, also the output key of a supply that feeds it, where it is off."""
        if on and not self._chassis.fed:
            self._press_feed()
        self._chassis.switch(on)

    def powered(self) -> bool:
        """The unit's lamp is lit."""
        return self._chassis.powered

    def card(self, pattern: str) -> None:
        """Plug the card in with a pattern, or take it out ("")."""
        if pattern not in _PATTERNS:
            raise Unknown(f"There is no pattern {pattern!r}. There are: {', '.join(_PATTERNS[1:])}.")
        self._chassis.plug_card(pattern)

    def fit(self, what: str, there: bool = True) -> None:
        """Put something in place (an isolation transformer, covers, the probe's ground clip) or take it away."""
        (self.in_place.add if there else self.in_place.discard)(what)

    def discharge(self) -> None:
        """The discharge stick to the anode, for a moment."""
        if self._chassis.powered:
            self._incident("the anode was shorted with the power on")
        self._chassis.discharge()

    def probe(self, instrument: str, point: str = "", via: str = "") -> None:
        """Put an instrument's input ("meter", "scope.2") on a test point, or lift it off (""); `via` names a probe.

        Kilovolts go through a high-voltage probe or not at all; a 10x probe belongs to its scope and needs no name.
        """
        jack = self._world.jack(instrument)
        before = self._points.get(instrument, ("", ""))
        if before == (point, via):
            return
        if ANODE in (point, before[0]):
            self._live(f"the probe on {ANODE} was moved")
        if point == ANODE and via not in PROBED:
            raise Unknown(f"{ANODE} is probed through {' or '.join(PROBED)}, never directly.")
        if before[0] == ANODE:
            self._chassis.load_anode(float("inf"))
        self._points[instrument] = (point, via)
        jack.touch(self._seen(point, via) if point else None, self._world.clock.now())

    def probes(self) -> Mapping[str, tuple[str, str]]:
        """Where each input is: input -> (point, via)."""
        return dict(self._points)

    # Eyes

    def ruler(self, name: str) -> float:
        """Millimetres as read from a ruler held to the screen, one of `LENGTHS`; 0 without a picture."""
        times, step, error = find(LENGTHS, name, "length to measure")
        if not self._picture.there:
            return 0.0
        seen = self._world.truth(name) * times + self._random.gauss(0.0, error)
        return round(seen / step) * step / times

    def code(self, axis: str) -> int:
        """The controller code that pattern `stick` shows for "x" or "y"."""
        return round(self._world.truth(f"stick {axis}"))

    def esr(self, capacitor: str) -> float:
        """Ohms on the ESR meter, to its 0.01 ohm; unplugged and discharged, as it should be done."""
        if self._chassis.powered:
            self._incident(f"{capacitor} was measured with the power on")
        self._live(f"a hand went to {capacitor}")
        find(f.ESR, capacitor, "capacitor")
        return round(self._chassis.esr(capacitor), 2)

    def picture(self) -> bool:
        """There is a picture."""
        return self._picture.there

    def bar(self) -> int:
        """Number of the brightness bar that is just visible on `wedge`."""
        return round(self._picture.faintest_bar())

    # Faults

    def fault(self, name: str, on: bool = True) -> None:
        """Break something in the unit, or mend it: a name of `chassis.FAULTS`, or "scratchy RV22" and the like."""
        kind, _, control = name.partition(" ")
        if kind != "scratchy":
            self._chassis.fail(name, on)
            return
        trimmer = self._control(control)
        trimmer.roughness, trimmer.cleaned = (0.03, False) if on else (0.0005, trimmer.cleaned)

    def _control(self, name: str) -> SimulatedTrimmer:
        return find(self._chassis.trimmers, name, "control")

    def _seen(self, point: str, via: str) -> Node:
        node = self._world.node(point)
        if not via or via not in PROBED:
            return node
        upper, lower = PROBED[via]
        upper *= 1.0 + self._probe_error
        self._chassis.load_anode(upper + lower if point == ANODE else float("inf"))
        return through_divider(node, upper, lower)

    def _live(self, act: str) -> None:
        if self._chassis.anode_volts() > f.HAZARDOUS:
            self._incident(f"{act} with {self._chassis.anode_volts():.0f} V on the anode")

    def _incident(self, words: str) -> None:
        self.incidents.append(f"{self._world.clock.now():.3f} s: {words}")
