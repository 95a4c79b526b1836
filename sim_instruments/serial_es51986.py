"""Handheld with a free-running 11-byte frame of printable codes (Cyrustek ES51986 and its siblings, 6000 counts).

Rules kept: every byte but CR LF is 3x; an overload carries the digits 6000; each block is sent twice per conversion,
and the pair is one reading; HOLD freezes the glass and not the serial value; 19200 baud, 7 data bits, odd parity.
"""

from __future__ import annotations

from dataclasses import replace

from benchrig.clock import Clock

from .interfaces import Inputs
from .serial_handheld import Handheld
from .serial_panel import Knob, SerialPanel, ranges
from .serial_stream import FrameMeter, odd_parity

LINE = "19200 7O1"
WIRE = 11 * 10 / 19200

# Function code -> its ranges by index: (digits behind the point, prefix).
RANGES: dict[str, tuple[tuple[int, str], ...]] = {
    "B": ((3, ""), (2, ""), (1, ""), (0, ""), (1, "m")),
    "D": ((1, "u"), (0, "u")),
    "F": ((2, "m"), (1, "m")),
    "0": ((3, ""), (2, "")),
    "3": ((1, ""), (3, "k"), (2, "k"), (1, "k"), (3, "M"), (2, "M")),
    "2": ((3, "k"), (2, "k"), (1, "k"), (3, "M"), (2, "M")),
    "6": ((3, "n"), (2, "n"), (1, "n"), (3, "u"), (2, "u"), (1, "u"), (3, "m")),
    "1": ((3, ""),),
    "5": ((1, ""),),
}
_CURRENT = {"u": "D", "m": "F", "": "0"}
_VOLT_OHMS = (11.11e6, 10.10e6, 10.01e6, 10.00e6)

KNOBS: Knob = {
    "dc voltage": ranges("V", 6000, "6.000", "60.00", "600.0", "6000", ohms=_VOLT_OHMS),
    "ac voltage": ranges("V", 6000, "6.000", "60.00", "600.0", "6000", ohms=_VOLT_OHMS),
    "dc millivolts": ranges("V", 6000, "600.0 m", ohms=(1e9,)),
    "ac millivolts": ranges("V", 6000, "600.0 m", ohms=(1e9,)),
    "resistance": ranges("ohm", 6000, "600.0", "6.000 k", "60.00 k", "600.0 k", "6.000 M", "60.00 M"),
    "continuity": ranges("ohm", 6000, "600.0"),
    "diode": ranges("V", 6000, "6.000"),
    "capacitance": ranges("F", 6000, "6.000 n", "60.00 n", "600.0 n", "6.000 u", "60.00 u", "600.0 u", "6.000 m"),
    "frequency": ranges("Hz", 6000, "6.000 k", "60.00 k", "600.0 k", "6.000 M", "60.00 M"),
    "dc current": ranges("A", 6000, "6.000", "60.00"),
    "ac current": ranges("A", 6000, "6.000", "60.00"),
}


def _function_code(panel: SerialPanel) -> str:
    if panel.unit == "V":
        return "1" if panel.diode else "B"
    if panel.unit == "A":
        return _CURRENT[panel.prefix]
    if panel.unit == "ohm":
        return "5" if panel.beeper else "3"
    return {"Hz": "2", "F": "6"}[panel.unit]


def encode(panel: SerialPanel) -> bytes:
    """The 11 bytes of one block, as a port set to 19200 7O1 hands them over.

    Raises ValueError for a point or prefix that no range of the function has, KeyError for a unit not sent here.
    """
    p, code = panel, _function_code(panel)
    digits = "6000" if p.overload else p.digits(4)
    nibbles = (
        RANGES[code].index((p.decimals, p.prefix)),
        *map(int, digits),
        int(code, 16),
        8 * p.judge + 4 * p.minus + 2 * p.low_battery + p.overload,
        8 * p.hold + 4 * p.maximum + 2 * p.minimum,
        8 * p.dc + 4 * p.ac + 2 * p.auto + p.on_volts,
    )
    return bytes(0x30 | nibble for nibble in nibbles) + b"\r\n"


def _as_captured(panel: SerialPanel) -> bytes:
    """With the judge bit that field captures show in every mode."""
    return encode(replace(panel, judge=True))


class Es51986Handheld(FrameMeter):
    """The handheld on the bench; `inputs[1]` is between its leads.

    eight_bits  the host's port is set to 8N1: each byte's parity shows as its bit 7
    """

    def __init__(
        self, clock: Clock, inputs: Inputs, *, seed: int = 0, knob: str = "dc voltage", eight_bits: bool = False
    ) -> None:
        meter = Handheld(inputs, KNOBS, knob=knob, seed=seed, live_hold=True)
        shown = (lambda panel: odd_parity(_as_captured(panel))) if eight_bits else _as_captured
        super().__init__(clock, meter, shown, interval=0.5, wire=WIRE, copies=2)
