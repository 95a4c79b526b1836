"""What differs between the two generations of the curve family, and how both of them write and read words."""

from __future__ import annotations

from dataclasses import dataclass

from .scope_front import Geometry
from .scpi_errors import ScpiError
from .scpi_values import NOT_A_NUMBER, OVERLOAD, Numeric, WordValue, matches

_SOURCES = WordValue(("CH1", "CH2", "CH3", "CH4"))


@dataclass(frozen=True, slots=True)
class CurveSeries:
    """What differs between the two generations."""

    model: str
    firmware: str
    geometry: Geometry
    preamble: str  # header of the preamble
    order: tuple[str, ...]  # of its fields
    trigger: str  # header of the main trigger
    nothing: float  # a measurement without result


TDS2000 = CurveSeries(
    "TDS 2024B", "CF:91.1CT FV:v22.01",
    Geometry(10, 8, 25, 128, 0, 255, 2500, bandwidth=200e6, fastest=2e9, depths=(2500,)),
    "WFMPre",
    (
        "BYT_Nr", "BIT_Nr", "ENCdg", "BN_Fmt", "BYT_Or", "NR_Pt", "WFId", "PT_Fmt", "XINcr", "PT_Off", "XZEro",
        "XUNit", "YMUlt", "YZEro", "YOFf", "YUNit",
    ),
    "TRIGger:MAIn", OVERLOAD,
)  # fmt: skip
DPO4000 = CurveSeries(
    "DPO4104", "CF:91.1CT FV:v2.48",
    Geometry(
        10, 10, 25, 128, 0, 255, 1000, bandwidth=1e9, fastest=5e9,
        depths=(1_000, 10_000, 100_000, 1_000_000, 10_000_000),
    ),
    "WFMOutpre",
    (
        "BYT_Nr", "BIT_Nr", "ENCdg", "BN_Fmt", "BYT_Or", "WFId", "NR_Pt", "PT_Fmt", "XUNit", "XINcr", "XZEro",
        "PT_Off", "YUNit", "YMUlt", "YOFf", "YZEro",
    ),
    "TRIGger:A", NOT_A_NUMBER,
)  # fmt: skip


def real(value: float) -> str:
    """`4.0E-2`: no sign of the mantissa, no zero before the exponent."""
    mantissa, exponent = f"{value:.9E}".split("E")
    whole, _, fraction = mantissa.partition(".")
    return f"{whole}.{fraction.rstrip('0') or '0'}E{int(exponent)}"


def whole(value: float) -> str:
    return str(int(value))


def event_text(event: tuple[int, str]) -> str:
    return f'{event[0]},"{event[1]}"'


def channel_of(text: str) -> int:
    return int(_SOURCES.read(text)[2:])


def chosen(words: tuple[str, ...], text: str) -> str:
    """The table's spelling of the word meant. Raises ScpiError -224 for none."""
    for word in words:
        if matches(word, text):
            return word
    raise ScpiError(-224)


def switched_on(text: str) -> bool:
    if text.upper() in ("ON", "OFF"):
        return text.upper() == "ON"
    return Numeric(-1e9, 1e9, 0).read(text) != 0
