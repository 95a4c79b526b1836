"""What an instrument can do, said without saying how it is reached, and how drivers are found.

A driver is built as `Driver(link, clock, options)` and satisfies `Instrument` and one or more of the abilities
below. Drivers are found by name through the entry point group `benchrig.drivers`; doubles (simulated worlds)
through `benchrig.doubles`. Outside packages come in by the same door. For being found on a bench a driver may have
`LINE` (its usual line settings), `GRAMMAR` (frames that come unasked), `takes(identity)` (static: is it a known model).
"""

from __future__ import annotations

import enum
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol, runtime_checkable

from .checkout import entry_points
from .errors import FileError
from .links.base import LineSettings as LineSettings
from .readings import Reading

if TYPE_CHECKING:
    from .camera.frames import Frame
    from .signals.waveform import Waveform


class Function(enum.StrEnum):
    """What a meter is asked to measure."""

    DC_VOLTAGE = "dc voltage"
    AC_VOLTAGE = "ac voltage"
    DC_CURRENT = "dc current"
    AC_CURRENT = "ac current"
    RESISTANCE = "resistance"
    CONTINUITY = "continuity"
    DIODE = "diode"
    FREQUENCY = "frequency"
    PERIOD = "period"
    CAPACITANCE = "capacitance"
    TEMPERATURE = "temperature"
    DUTY_FACTOR = "duty factor"


# The unit that readings of each function come in.
FUNCTION_UNIT: Mapping[Function, str] = {
    Function.DC_VOLTAGE: "V",
    Function.AC_VOLTAGE: "V",
    Function.DC_CURRENT: "A",
    Function.AC_CURRENT: "A",
    Function.RESISTANCE: "ohm",
    Function.CONTINUITY: "ohm",
    Function.DIODE: "V",
    Function.FREQUENCY: "Hz",
    Function.PERIOD: "s",
    Function.CAPACITANCE: "F",
    Function.TEMPERATURE: "degC",
    Function.DUTY_FACTOR: "1",
}


@dataclass(frozen=True, slots=True)
class Identity:
    """Who answered: the four fields of `*IDN?`, or what a serial grammar lets us know."""

    maker: str = ""
    model: str = ""
    serial: str = ""
    firmware: str = ""

    def __str__(self) -> str:
        return " ".join(part for part in (self.maker, self.model, self.serial, self.firmware) if part)

    def same_unit(self, other: Identity) -> bool:
        """Same instrument, whatever its firmware says today."""
        return (self.maker, self.model, self.serial) == (other.maker, other.model, other.serial)


@runtime_checkable
class Instrument(Protocol):
    """What every driver can do."""

    def identify(self) -> Identity:
        """Ask who answers. Raises LinkError where nothing does, InstrumentError where it is not for this driver."""
        ...

    def restore(self) -> None:
        """Send again every setting made since this driver was built: after a reopened link or a reboot."""
        ...

    def release(self) -> None:
        """Hand the front panel back to the person and leave the instrument quiet. Never raises LinkError."""
        ...


@runtime_checkable
class Multimeter(Instrument, Protocol):
    """Something that gives readings."""

    def select(
        self, function: Function, *, expected: float | None = None, power_line_cycles: float | None = None
    ) -> None:
        """Choose what is measured.

        `expected` (base unit): fix the range that holds it; None leaves autorange on. A meter whose knob only a
        hand can turn checks at the next reading instead, and raises InstrumentError if the knob stands elsewhere.
        """
        ...

    def read(self, deadline: float) -> Reading:
        """The next measurement that began after this call, or, from a meter that talks by itself, the newest that
        was not handed out before. Raises LinkTimeout at `deadline` (clock seconds), LinkLost, InstrumentError.
        """
        ...


@dataclass(frozen=True, slots=True)
class ScreenView:
    """What a scope's channel shows: volts per division, and volts at the centre of the screen, at the probe tip."""

    scale: float
    centre: float


@runtime_checkable
class Oscilloscope(Instrument, Protocol):
    """Something that gives waveforms. Channels count from 1. Volts are at the probe tip."""

    def set_channel(
        self,
        channel: int,
        *,
        scale: float | None = None,  # volts per division at the probe tip
        offset: float | None = None,  # volts at the centre of the screen
        coupling: str | None = None,  # "dc", "ac", "ground"
        probe: float | None = None,  # attenuation: 10.0 for a 10x probe
        bandwidth_limit: bool | None = None,
    ) -> None:
        """Set what is given. With `coupling` the input is also made plain: not inverted, in volts, 1 Mohm."""
        ...

    def view(self, channel: int) -> ScreenView:
        """As the scope itself says: it may have rounded what it was told."""
        ...

    def set_timebase(self, *, scale: float | None = None, position: float | None = None) -> None:
        """`scale` seconds per division; `position` seconds from the trigger to the centre of the screen. With `scale`
        a record is also made plain: of one acquisition, over time.
        """
        ...

    def set_trigger(
        self,
        *,
        source: int | None = None,
        level: float | None = None,
        slope: str | None = None,
        sweep: str | None = None,
    ) -> None:
        """`slope` "rising" or "falling"; `sweep` "auto" or "normal"."""
        ...

    def run(self) -> None: ...

    def stop(self) -> None: ...

    def single(self) -> None:
        """Arm for one acquisition and return at once."""
        ...

    def wait(self, deadline: float) -> bool:
        """Wait for the acquisition that `single` armed. False if the deadline came first."""
        ...

    def capture(
        self, channel: int, *, points: int | None = None, progress: Callable[[int, int], None] | None = None
    ) -> Waveform:
        """The waveform of the present acquisition. `progress(done, total)` in samples.

        Settings that turn codes into volts are read with the waveform, for this acquisition.
        """
        ...

    def fresh_capture(self, channel: int, deadline: float) -> Waveform:
        """`single`, `wait` and `capture` in one; without a trigger it is forced, and `waveform.triggered` False."""
        ...


@runtime_checkable
class Supply(Instrument, Protocol):
    """A power supply that can switch the unit."""

    def set_output(self, on: bool, channel: int = 1) -> None: ...

    def output_is_on(self, channel: int = 1) -> bool: ...

    def set_level(self, *, volts: float | None = None, amps: float | None = None, channel: int = 1) -> None: ...

    def measure(self, function: Function, deadline: float, channel: int = 1) -> Reading: ...


@runtime_checkable
class Camera(Instrument, Protocol):
    """Something that gives pictures, one after the other."""

    def frame(self, deadline: float) -> Frame:
        """A picture whose last byte came after this call. Raises LinkTimeout at `deadline`, LinkLost."""
        ...


DriverFactory = Callable[..., Instrument]


def kinds_of(driver: Any) -> frozenset[str]:
    """Which kinds of instrument a driver class is for: "meter", "scope", "supply"."""
    kinds = {"meter": Multimeter, "scope": Oscilloscope, "supply": Supply}
    return frozenset(name for name, kind in kinds.items() if isinstance(driver, type) and issubclass(driver, kind))


def driver_names() -> list[str]:
    """Names a bench file may use for `driver`."""
    return sorted(entry_points("benchrig.drivers"))


def load_driver(name: str) -> DriverFactory:
    """The driver called `name`. Raises FileError that lists what there is."""
    factory: DriverFactory = _load("benchrig.drivers", name, "driver")
    return factory


def load_world(name: str) -> Callable[..., Any]:
    """The factory of the simulated world called `name`: `factory(clock, seed=0, **options)`."""
    world: Callable[..., Any] = _load("benchrig.doubles", name, "simulated bench")
    return world


def load_contract() -> Callable[..., Any]:
    """What tries every promise of a driver: `try_all(instrument, clock, log)` gives one row after the other."""
    contract: Callable[..., Any] = _load("benchrig.contract", "try_all", "contract")
    return contract


def load_stand_in(name: str) -> Any:
    """What a rehearsal needs besides a world: "server", "launch" or "operator"."""
    return _load("benchrig.stand_ins", name, "stand-in")


def _load(group: str, name: str, noun: str) -> Any:
    found = entry_points(group)
    if name not in found:
        raise FileError(
            f"There is no {noun} {name!r}.",
            next_step=f"Installed: {', '.join(sorted(found)) or 'none'}. Correct the name, or install what brings it.",
        )
    return found[name].load()
