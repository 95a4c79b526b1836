"""What a handheld's display shows, as plain data, and what its knob can be turned to.

A `SerialPanel` is the meeting point: a meter makes one per conversion, an encoder makes bytes of it and nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SerialPanel:
    """One display.

    counts     digits without their point, not negative; a minus is `minus`, since -0.000 exists
    decimals   digits behind the point
    prefix     "", "n", "u", "m", "k", "M"; `unit` "V", "A", "ohm", "F", "Hz", "%", "degC", "degF", "hFE", ""
    judge      the ES5198x bit of that name, which is set in most captured frames and tells nothing
    """

    counts: int
    decimals: int
    prefix: str
    unit: str
    minus: bool = False
    overload: bool = False
    underload: bool = False
    ac: bool = False
    dc: bool = False
    auto: bool = False
    hold: bool = False
    relative: bool = False
    minimum: bool = False
    maximum: bool = False
    low_battery: bool = False
    diode: bool = False
    beeper: bool = False
    on_volts: bool = False  # hertz or percent shown while the knob stands on volts or amps
    power_off_armed: bool = False
    bar: int | None = None
    blank: bool = False  # leading zeros are dark
    judge: bool = False

    def digits(self, places: int) -> str:
        """`places` characters; leading zeros as zeros, or as blanks if `blank`."""
        text = str(self.counts).zfill(places)
        if not self.blank:
            return text
        kept = self.decimals + 1
        return text[:-kept].lstrip("0").rjust(places - kept) + text[-kept:]

    @property
    def value(self) -> float | None:
        """In base units; None where there is no number."""
        if self.overload or self.underload:
            return None
        scale = {"n": 1e-9, "u": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6}[self.prefix]
        return (-1 if self.minus else 1) * self.counts * 10.0**-self.decimals * scale


@dataclass(frozen=True, slots=True)
class PanelRange:
    """One range: how it is shown, the most counts it can show, and the ohms it puts across the leads."""

    decimals: int
    prefix: str
    unit: str
    full: int
    ohms: float = 1e7

    @property
    def count(self) -> float:
        """One count in base units."""
        scale = {"n": 1e-9, "u": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6}[self.prefix]
        return 10.0**-self.decimals * scale


def ranges(unit: str, full: int, *rows: str, ohms: tuple[float, ...] = ()) -> tuple[PanelRange, ...]:
    """Rows such as "400.0 m", "4.000", "40.00": where the point stands, and the prefix."""
    made = []
    for index, row in enumerate(rows):
        digits, _, prefix = row.partition(" ")
        decimals = len(digits.partition(".")[2])
        made.append(PanelRange(decimals, prefix, unit, full, ohms[index] if index < len(ohms) else 1e7))
    return tuple(made)


# A 10 Mohm string tapped per decade: what the leads see steps as the range does. The millivolt range has no divider.
VOLT_OHMS = (1e9, 11.11e6, 10.10e6, 10.01e6, 10.00e6)
Knob = dict[str, tuple[PanelRange, ...]]  # knob position -> its ranges, lowest first
