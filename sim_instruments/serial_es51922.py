"""Handheld with a free-running 14-byte frame of printable codes (Cyrustek ES51922, 22000 counts).

Rules kept (data sheet v3.2, section 4, corrected by field captures): every byte but CR LF is 3x; the range byte's
meaning depends on the function; an overload carries the digits 22580; judge is 1 for duty; HOLD freezes the glass and
not the serial value, and ends AUTO; two conversions a second, 19200 baud, 7 data bits, odd parity.
"""

from __future__ import annotations

from benchrig.clock import Clock

from .interfaces import Inputs
from .serial_handheld import Handheld
from .serial_panel import Knob, SerialPanel, ranges
from .serial_stream import FrameMeter, odd_parity

LINE = "19200 7O1"
WIRE = 14 * 10 / 19200

# Function code -> its ranges by index: (digits behind the point, prefix); None is not used.
RANGES: dict[str, tuple[tuple[int, str] | None, ...]] = {
    "B": ((4, ""), (3, ""), (2, ""), (1, ""), (2, "m")),
    "D": ((2, "u"), (1, "u")),
    "F": ((3, "m"), (2, "m")),
    "0": ((3, ""),),
    "3": ((2, ""), (4, "k"), (3, "k"), (2, "k"), (4, "M"), (3, "M"), (2, "M")),
    "5": ((2, ""),),
    "1": ((4, ""),),
    "2": ((2, ""), (1, ""), None, (3, "k"), (2, "k"), (4, "M"), (3, "M"), (2, "M")),
    "6": ((3, "n"), (2, "n"), (4, "u"), (3, "u"), (2, "u"), (4, "m"), (3, "m"), (2, "m")),
}
_CURRENT = {"u": "D", "m": "F", "": "0"}

# A year (22,000-count class data sheets: common for the class, no source).
_ALLOWED = {"dc": (1e-3, 2.0), "ac": (8e-3, 10.0), "resistance": (5e-3, 10.0)}
KNOBS: Knob = {
    "dc voltage": ranges("V", 22000, "2.2000", "22.000", "220.00", "2200.0", ohms=(11.11e6, 10.10e6, 10.01e6, 10.0e6)),
    "ac voltage": ranges("V", 22000, "2.2000", "22.000", "220.00", "2200.0", ohms=(11.11e6, 10.10e6, 10.01e6, 10.0e6)),
    "dc millivolts": ranges("V", 22000, "220.00 m", ohms=(1e9,)),
    "ac millivolts": ranges("V", 22000, "220.00 m", ohms=(1e9,)),
    "resistance": ranges(
        "ohm", 22000, "220.00", "2.2000 k", "22.000 k", "220.00 k", "2.2000 M", "22.000 M", "220.00 M"
    ),
    "continuity": ranges("ohm", 22000, "220.00"),
    "diode": ranges("V", 22000, "2.2000"),
    "capacitance": ranges("F", 22000, "22.000 n", "220.00 n", "2.2000 u", "22.000 u", "220.00 u", "2.2000 m"),
    "frequency": ranges("Hz", 22000, "22.00", "220.0", "22.000 k", "220.00 k", "2.2000 M", "22.000 M", "220.00 M"),
    "duty factor": ranges("%", 999, "99.9"),
    "dc current": ranges("A", 22000, "22.000"),
    "ac current": ranges("A", 22000, "22.000"),
    "temperature": ranges("degC", 22000, "999.9"),
}  # fmt: skip


def function_code(panel: SerialPanel) -> str:
    """The function character, before hertz and percent taken on a volt or ampere position."""
    if panel.unit == "V":
        return "1" if panel.diode else "B"
    if panel.unit == "A":
        return _CURRENT[panel.prefix]
    if panel.unit == "ohm":
        return "5" if panel.beeper else "3"
    return {"Hz": "2", "%": "2", "F": "6", "degC": "4", "degF": "4"}[panel.unit]


def _range_index(panel: SerialPanel, code: str) -> int:
    if panel.unit in ("%", "degC", "degF"):
        return 0
    return RANGES[code].index((panel.decimals, panel.prefix))


def encode(panel: SerialPanel) -> bytes:
    """The 14 bytes of one frame, as a port set to 19200 7O1 hands them over.

    Raises ValueError for a point or prefix that no range of the function has.
    """
    p, code = panel, function_code(panel)
    digits = "22580" if p.overload else "00000" if p.underload else p.digits(5)
    judge = p.unit == "%" or p.unit == "degC"
    status = 8 * judge + 4 * p.minus + 2 * p.low_battery + p.overload
    options = (
        8 * p.maximum + 4 * p.minimum + 2 * p.relative,
        8 * p.underload,
        8 * p.dc + 4 * p.ac + 2 * p.auto + p.on_volts,
        4 * (p.unit in ("degC", "degF") and p.decimals == 1) + 2 * p.hold,
    )
    function = 0xB if p.on_volts else int(code, 16)
    nibbles = (_range_index(p, code), *map(int, digits), function, status, *options)
    return bytes(0x30 | nibble for nibble in nibbles) + b"\r\n"


class Es51922Handheld(FrameMeter):
    """The handheld on the bench; `inputs[1]` is between its leads.

    eight_bits  the host's port is set to 8N1: each byte's parity shows as its bit 7
    """

    def __init__(
        self, clock: Clock, inputs: Inputs, *, seed: int = 0, knob: str = "dc voltage", eight_bits: bool = False
    ) -> None:
        meter = Handheld(inputs, KNOBS, knob=knob, seed=seed, live_hold=True, allowed=_ALLOWED)
        shown = (lambda panel: odd_parity(encode(panel))) if eight_bits else encode
        super().__init__(clock, meter, shown, interval=0.5, wire=WIRE)
