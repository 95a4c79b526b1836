"""The words of the 34401A class: models, functions and their spelling, ranges, limits, trigger and math settings."""

from __future__ import annotations

from dataclasses import dataclass

from .meter_convert import RANGES
from .scpi_values import Numeric, WordValue


@dataclass(frozen=True, slots=True)
class Model:
    """What differs inside the class."""

    maker: str
    name: str
    firmware: str
    cycles: tuple[float, ...]
    preset_cycles: float
    memory: int
    impedance: str  # header of the input resistance switch
    zero: str  # header of the auto-zero switch


HP34401A = Model(
    "HEWLETT-PACKARD", "34401A", "11-5-2", (0.02, 0.2, 1, 10, 100), 10, 512,
    "INPut:IMPedance:AUTO", "[SENSe:]ZERO:AUTO",
)  # fmt: skip
AGILENT34410A = Model(
    "Agilent Technologies", "34410A", "2.35-2.35-0.09-46-09", (0.006, 0.02, 0.06, 0.2, 1, 2, 10, 100), 1, 50_000,
    "[SENSe:]VOLTage[:DC]:IMPedance:AUTO", "[SENSe:]VOLTage[:DC]:ZERO:AUTO",
)  # fmt: skip

# Function as answered -> header in commands, unit of its range.
FUNCTIONS: dict[str, tuple[str, str]] = {
    "VOLT": ("VOLTage[:DC]", "V"),
    "VOLT:AC": ("VOLTage:AC", "V"),
    "CURR": ("CURRent[:DC]", "A"),
    "CURR:AC": ("CURRent:AC", "A"),
    "RES": ("RESistance", "OHM"),
    "FRES": ("FRESistance", "OHM"),
    "CONT": ("CONTinuity", "OHM"),
    "DIOD": ("DIODe", "V"),
    "FREQ": ("FREQuency", "HZ"),
    "PER": ("PERiod", "S"),
}
SPELLED = {
    "VOLTage:DC": "VOLT", "VOLTage": "VOLT", "VOLTage:AC": "VOLT:AC", "CURRent:DC": "CURR", "CURRent": "CURR",
    "CURRent:AC": "CURR:AC", "RESistance": "RES", "FRESistance": "FRES", "CONTinuity": "CONT", "DIODe": "DIOD",
    "FREQuency": "FREQ", "PERiod": "PER",
}  # fmt: skip
MATH = WordValue(("NULL", "DB", "DBM", "AVERage", "LIMit"))
ONCE = "ONCE"


@dataclass(slots=True)
class Trigger:
    """`delay` None: automatic. `count` may be inf."""

    source: str = "IMM"
    delay: float | None = None
    samples: float = 1
    count: float = 1


@dataclass(slots=True)
class Math:
    """NULL, the only math that changes a reading here. `offset` None: the next reading becomes it."""

    function: str = "NULL"
    on: bool = False
    offset: float | None = None


CORNER = Numeric(3, 200, 20, "HZ", steps=(3.0, 20.0, 200.0))
GATE = Numeric(0.01, 1, 0.1, "S", steps=(0.01, 0.1, 1.0))
COUNT = Numeric(1, 50_000, 1, whole=True)


def ranges_of(function: str) -> Numeric:
    """The ranges of a function, as its range commands take and tell them. Those of FREQ and PER are of their input."""
    ranges = RANGES[function]
    unit = FUNCTIONS[function][1] if function not in ("FREQ", "PER") else "V"
    return Numeric(ranges[0], ranges[-1], ranges[min(2, len(ranges) - 1)], unit, steps=ranges)


def range_for(function: str, text: str) -> float:
    """The range that is asked for by a word, or by the reading that is expected, whose sign does not matter."""
    spec = ranges_of(function)
    if text[:1].isalpha():
        return spec.read(text)
    expected = abs(Numeric(-spec.high, spec.high, 0, spec.unit).read(text))
    return spec.read(repr(max(expected, spec.low)))
