"""What a scope's front panel holds: settings and the geometry of its screen, whatever grammar asks for them.

Volts are those the scope shows: at the probe tip, if the probe factor set is that of the probe in use.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Geometry:
    """Screen and converter.

    across, down   divisions
    per_division   converter codes per vertical division
    middle         code at the centre of the screen
    low, high      codes at which the converter clips
    points         points of a screen record
    bandwidth      of the amplifier and with the limit on, in hertz
    fastest        samples per second, most
    depths         memory depths in points that can be chosen
    """

    across: int
    down: int
    per_division: float
    middle: int
    low: int
    high: int
    points: int
    bandwidth: float = 50e6
    limited: float = 20e6
    fastest: float = 1e9
    depths: tuple[int, ...] = (12_000, 120_000, 1_200_000, 12_000_000)
    input_ohms: float = 1e6  # at the socket; a probe multiplies it
    whole_origin: bool = False  # the offset comes in whole codes


@dataclass(slots=True)
class FrontChannel:
    """One input. `centre` is the voltage at the centre of the screen while `position` is 0.

    position  divisions by which families that have it move the trace up besides
    """

    scale: float = 1.0
    centre: float = 0.0
    position: float = 0.0
    coupling: str = "DC"
    probe: float = 10.0
    limited: bool = False
    shown: bool = False
    inverted: bool = False

    @property
    def middle(self) -> float:
        """Volts at the centre of the screen, position included."""
        return self.centre - self.position * self.scale

    @property
    def shift(self) -> float:
        """The offset of families that add it to the trace: the opposite of `centre`, and never -0.0."""
        return 0.0 - self.centre

    @shift.setter
    def shift(self, volts: float) -> None:
        self.centre = 0.0 - volts

    @property
    def attenuation(self) -> float:
        """The probe factor, set so that the trace keeps its divisions: scale and centre follow it."""
        return self.probe

    @attenuation.setter
    def attenuation(self, factor: float) -> None:
        ratio, self.probe = factor / self.probe, factor
        self.scale *= ratio
        self.centre *= ratio


@dataclass(slots=True)
class Front:
    """All settings of an acquisition.

    position  seconds from the trigger to the centre of the screen
    depth     points of memory, None for automatic
    """

    channels: dict[int, FrontChannel]
    timebase: float = 1e-6
    position: float = 0.0
    source: int = 1
    level: float = 0.0
    rising: bool = True
    sweep: str = "AUTO"  # AUTO, NORM, SING
    depth: int | None = None

    @property
    def slope(self) -> str:
        return "POS" if self.rising else "NEG"

    @slope.setter
    def slope(self, word: str) -> None:
        self.rising = word == "POS"

    @classmethod
    def fresh(cls, channels: int, probe: float) -> Front:
        """As after `*RST`: channel 1 shown."""
        return cls({n: FrontChannel(probe=probe, shown=n == 1) for n in range(1, channels + 1)})
