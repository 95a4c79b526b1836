"""Handheld with a free-running 14-byte ASCII frame with status bytes (FS9922-DMM3 and -DMM4 chips).

Rules kept: sign, four digits, space, point code, four status bytes, bar, CR LF; the third point position is `4`, as
meters send it, not `3`, as the data sheet prints it; status and bar are binary and may be 0A or 0D; 2400 baud 8N1.
"""

from __future__ import annotations

from dataclasses import replace

from benchrig.clock import Clock

from .interfaces import Inputs
from .serial_handheld import Handheld
from .serial_panel import VOLT_OHMS, Knob, SerialPanel, ranges
from .serial_stream import FrameMeter

LINE = "2400 8N1"
WIRE = 14 * 10 / 2400
_POINTS = {0: "0", 3: "1", 2: "2", 1: "4"}  # by digits behind the point
_OVERLOAD = "?0:?"
_BAR = 60  # segments of the DMM4, one per hundred counts

KNOBS: Knob = {
    "dc voltage": ranges("V", 5999, "600.0 m", "6.000", "60.00", "600.0", "1000", ohms=VOLT_OHMS),
    "ac voltage": ranges("V", 5999, "6.000", "60.00", "600.0", "1000", ohms=VOLT_OHMS[1:]),
    "resistance": ranges("ohm", 5999, "600.0", "6.000 k", "60.00 k", "600.0 k", "6.000 M", "60.00 M"),
    "continuity": ranges("ohm", 5999, "600.0"),
    "diode": ranges("V", 5999, "6.000"),
    "capacitance": ranges("F", 5999, "6.000 n", "60.00 n", "600.0 n", "6.000 u", "60.00 u"),
    "frequency": ranges("Hz", 5999, "60.00", "600.0", "6.000 k", "60.00 k", "600.0 k", "6.000 M"),
    "duty factor": ranges("%", 999, "99.9"),
    "dc current": ranges("A", 5999, "60.00 m", "600.0 m", "6.000"),
    "ac current": ranges("A", 5999, "60.00 m", "600.0 m", "6.000"),
    "temperature": ranges("degC", 9999, "999.9"),
}


def encode(panel: SerialPanel) -> bytes:
    """The 14 bytes of one frame. `panel.bar` None: no bar shown."""
    p, unit, prefix = panel, panel.unit, panel.prefix
    text = f"{'-' if p.minus else '+'}{_OVERLOAD if p.overload else p.digits(4)} {_POINTS[p.decimals]}"
    status = (
        32 * p.auto + 16 * p.dc + 8 * p.ac + 4 * p.relative + 2 * p.hold + (p.bar is not None),
        32 * p.maximum + 16 * p.minimum + 8 * p.power_off_armed + 4 * p.low_battery + 2 * (prefix == "n"),
        128 * (prefix == "u") + 64 * (prefix == "m") + 32 * (prefix == "k") + 16 * (prefix == "M")
        + 8 * p.beeper + 4 * p.diode + 2 * (unit == "%"),
        128 * (unit == "V") + 64 * (unit == "A") + 32 * (unit == "ohm") + 16 * (unit == "hFE")
        + 8 * (unit == "Hz") + 4 * (unit == "F") + 2 * (unit == "degC") + (unit == "degF"),
    )  # fmt: skip
    bar = (p.bar or 0) | (0x80 if p.minus and p.bar is not None else 0)
    return text.encode("ascii") + bytes((*status, bar)) + b"\r\n"


def with_bar(panel: SerialPanel) -> SerialPanel:
    """The display with its bar graph, one past the end for an overload."""
    if panel.unit not in ("V", "A", "ohm"):
        return panel
    return replace(panel, bar=_BAR + 1 if panel.overload else panel.counts // 100)


class Fs9922Handheld(FrameMeter):
    """The handheld on the bench; `inputs[1]` is between its leads. `meter` has its knob and keys."""

    def __init__(self, clock: Clock, inputs: Inputs, *, seed: int = 0, knob: str = "dc voltage") -> None:
        meter = Handheld(inputs, KNOBS, knob=knob, seed=seed, live_hold=False)
        super().__init__(clock, meter, lambda panel: encode(with_bar(panel)), interval=0.33, wire=WIRE)
