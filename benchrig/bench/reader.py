"""A bench file into a `Bench`. Every mistake is told, with its line.

mains = "50 Hz"

[instrument.meter]
driver = "meter-scpi"
address = "TCPIP::192.168.1.20::5025::SOCKET"
serial = "LL-0034"
input_resistance = "10 Mohm"
maximum_input = "1000 V"

[[instrument.meter.accuracy]]
function = "dc voltage"
range = "10 V"
reading = "0.0035 %"
of_range = "0.0005 %"

[probe.eht_probe]
ratio = 1000
resistance = "1 Gohm"
made_for = "10 Mohm"
tolerance = "1 %"
maximum = "40 kV"

The table [alarms] is shown in `alarm_table`.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator, model_validator

from ..errors import FileError, Mistake
from ..instruments import FUNCTION_UNIT, Function, driver_names
from ..links.addresses import SocketAddress, hosts_of, parse_address, place_of
from ..tomlfile import AnyQuantity, FileModel, Fraction, Hertz, InUnit, Lines, Ohms, OneOf, Volts, read_toml, wrong
from ..tomlwords import near
from ..units import Quantity
from .alarm_table import AlarmsTable
from .model import Accuracy, Bench, InstrumentSpec, Probe, Waveforms

NAME = r"^[a-z][a-z0-9_-]*$"
_MAINS = {"50 Hz": 50.0, "60 Hz": 60.0}

Name = Annotated[str, Field(pattern=NAME)]
Positive = Field(gt=0)
Least = Field(ge=0)


class AccuracyTable(FileModel):
    function: Annotated[Function, OneOf(Function)] = Field(examples=['"dc voltage"'])
    range: AnyQuantity = Field(examples=['"10 V"'])
    reading: Annotated[Fraction, Least] = 0.0
    of_range: Annotated[Fraction, Least] = 0.0
    counts: Annotated[float, InUnit("count"), Least] = 0.0
    resolution: AnyQuantity | None = None

    @model_validator(mode="after")
    def _whole(self) -> AccuracyTable:
        unit = FUNCTION_UNIT[self.function]
        for name, value in (("range", self.range), ("resolution", self.resolution)):
            if value is not None and value.unit != unit:
                raise wrong(f"{name} is in {value.unit}, but {self.function} is in {unit}.", f"Give it in {unit}.")
            if value is not None and value.value <= 0:
                raise wrong(f"{name} is not more than 0.", "Correct the value.")
        if self.counts and self.resolution is None:
            raise wrong("counts need to know what one count is.", 'Add resolution = "1 mV" or whatever one digit is.')
        if not (self.reading or self.of_range or self.counts):
            raise wrong("This row allows no error at all.", "Copy reading, of_range or counts from the data sheet.")
        return self


class WaveformTable(FileModel):
    bandwidth: Annotated[Hertz, Positive] | None = None
    sample_rate: Annotated[float, InUnit("Sa/s"), Positive] | None = None
    vertical: Annotated[Fraction, Positive] | None = None
    zero: Annotated[Volts, Positive] | None = None
    timebase: Annotated[Fraction, Positive] | None = None


class LineTable(FileModel):
    baud: int = Field(default=9600, ge=50, le=4_000_000)
    data_bits: Literal[5, 6, 7, 8] = 8
    parity: Literal["N", "E", "O"] = "N"
    stop_bits: Literal[1, 1.5, 2] = 1  # type: ignore[valid-type]  # floats are no Literal to a type checker
    dtr: bool | None = None
    rts: bool | None = None
    flow: Literal["none", "xonxoff", "rtscts", "dsrdtr"] = "none"


class InstrumentTable(FileModel):
    driver: str = Field(examples=['"meter-scpi"'])
    address: str = ""
    serial: str = ""
    usb: str = Field(default="", pattern=r"^([0-9a-fA-F]{4}:[0-9a-fA-F]{4})?$")
    usb_serial: str = ""
    input_resistance: Annotated[Ohms, Positive] | None = None
    maximum_input: Annotated[Volts, Positive] | None = None
    accuracy: list[AccuracyTable] = Field(default_factory=list)
    waveforms: WaveformTable = WaveformTable()
    calibration_due: date | None = None
    line: LineTable = LineTable()
    options: dict[str, Any] = Field(default_factory=dict)

    @field_validator("driver")
    @classmethod
    def _installed(cls, name: str) -> str:
        known = driver_names()
        if name not in known:
            raise wrong(f"There is no driver {name!r}.", f"{near(name, known)} Or install the package that brings it.")
        return name

    @field_validator("address")
    @classmethod
    def _known_form(cls, address: str) -> str:
        try:
            parse_address(address)
        except FileError as error:
            raise wrong(error.message, error.next_step) from None
        return address

    @model_validator(mode="after")
    def _somewhere(self) -> InstrumentTable:
        if bool(self.address) == bool(self.usb):
            has = "both an address and usb" if self.address else "no address"
            raise wrong(f"The instrument has {has}.", 'Give one: address = "...", or usb = "vid:pid".')
        return self


class ProbeTable(FileModel):
    ratio: Annotated[float, InUnit("1"), Positive] = Field(examples=["10"])
    resistance: Annotated[Ohms, Positive] | None = None
    made_for: Annotated[Ohms, Positive] | None = None
    tolerance: Annotated[Fraction, Least] = 0.0
    maximum: Annotated[Volts, Positive] | None = None
    bandwidth: Annotated[Hertz, Positive] | None = None
    calibration_due: date | None = None


class BenchTable(FileModel):
    mains: Literal["50 Hz", "60 Hz"] = Field(examples=['"50 Hz"'])
    world: str = ""
    instrument: dict[Name, InstrumentTable] = Field(min_length=1)
    probe: dict[Name, ProbeTable] = Field(default_factory=dict)
    alarms: AlarmsTable = AlarmsTable()


def load_bench(path: str | Path) -> Bench:
    """Read a bench file. Raises FileError with every mistake found in it."""
    return read_bench(path)[0]


def read_bench(path: str | Path) -> tuple[Bench, Lines]:
    """The bench, and where its keys stand, for checks that come later."""
    table, lines = read_toml(path, BenchTable)
    _check_addresses(table, lines)
    bench = Bench(
        file=str(path),
        mains=_MAINS[table.mains],
        instruments={name: _instrument(name, part) for name, part in table.instrument.items()},
        probes={name: _probe(name, part) for name, part in table.probe.items()},
        world=table.world,
        alarms=table.alarms.settings(Path(path).parent),
    )
    return bench, lines


def _check_addresses(table: BenchTable, lines: Lines) -> None:
    """One instrument has one name: two names of it would answer each other's questions, and one lead be in two places.

    Two with the same place or serial number are one; so are two sockets of one port whose hosts are one machine.
    """
    first: dict[object, str] = {}
    mistakes = []
    for name, part in table.instrument.items():
        place = ("instrument", name, "address" if part.address else "usb")
        for where in _places(part):
            if where in first:
                words = f"{first[where]!r} is at this address already."
                mistakes.append(lines.mistake(place, words, "Correct one of them."))
                break
            first[where] = name
        if part.serial and first.setdefault((part.driver, part.serial), name) != name:
            words = f"{first[part.driver, part.serial]!r} has this serial number already."
            mistakes.append(lines.mistake(("instrument", name, "serial"), words, "Correct one of them."))
    mistakes += [] if mistakes else _same_machine(table, lines)
    if mistakes:
        raise FileError(mistakes)


def _places(part: InstrumentTable) -> list[object]:
    if not part.address:
        return [(part.usb.lower(), part.usb_serial)]
    return [place_of(parse_address(part.address))]


def _same_machine(table: BenchTable, lines: Lines) -> list[Mistake]:
    """Sockets of one port under two names of a host; names are looked up only where there are two of a port."""
    sockets = {name: parse_address(part.address) for name, part in table.instrument.items() if part.address}
    of_port: dict[int, list[str]] = {}
    for name, address in sockets.items():
        if isinstance(address, SocketAddress):
            of_port.setdefault(address.port, []).append(name)
    mistakes = []
    for names in of_port.values():
        hosts = {name: hosts_of(sockets[name]) for name in names if len(names) > 1}
        for at, name in enumerate(names):
            if other := next((it for it in names[:at] if hosts[it] & hosts[name]), None):
                words = f"This is the same machine and port as that of {other!r}."
                mistakes.append(lines.mistake(("instrument", name, "address"), words, "Correct one of them."))
    return mistakes


def _value(quantity: Quantity | None) -> float | None:
    return None if quantity is None else quantity.value


def _accuracy(table: AccuracyTable) -> Accuracy:
    return Accuracy(
        table.function, table.range.value, table.reading, table.of_range, table.counts, _value(table.resolution)
    )


def _instrument(name: str, table: InstrumentTable) -> InstrumentSpec:
    return InstrumentSpec(
        name=name,
        driver=table.driver,
        address=table.address,
        serial=table.serial,
        usb=table.usb.lower(),
        usb_serial=table.usb_serial,
        input_resistance=table.input_resistance,
        maximum_input=table.maximum_input,
        accuracy=tuple(_accuracy(row) for row in table.accuracy),
        waveforms=Waveforms(**table.waveforms.model_dump()),
        calibration_due=table.calibration_due,
        line=table.line.model_dump(exclude_unset=True),
        options=table.options,
    )


def _probe(name: str, table: ProbeTable) -> Probe:
    return Probe(name=name, **table.model_dump())
