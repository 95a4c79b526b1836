"""Handheld with a free-running 14-byte frame that is the image of its LCD segments (FS9721_LP3 chip).

Rules kept: the high nibble of byte i is i + 1, the low nibble holds four segments; a held value repeats with its flag,
since the frame is what the glass shows; 4000 counts, three to four frames a second, 2400 baud 8N1.
"""

from __future__ import annotations

from benchrig.clock import Clock

from .interfaces import Inputs
from .serial_handheld import Handheld
from .serial_panel import VOLT_OHMS, Knob, SerialPanel, ranges
from .serial_stream import FrameMeter

LINE = "2400 8N1"
WIRE = 14 * 10 / 2400

# Segments lit for each character, by the usual letters: a top, b c right, d bottom, e f left, g middle.
_LIT = {
    "0": "abcdef", "1": "bc", "2": "abdeg", "3": "abcdg", "4": "bcfg", "5": "acdfg", "6": "acdefg", "7": "abc",
    "8": "abcdefg", "9": "abcdfg", "L": "def", " ": "",
}  # fmt: skip
_HIGH = {"a": 1, "f": 2, "e": 4}  # in the first byte of a digit; 8 is minus or the point before it
_LOW = {"b": 1, "g": 2, "c": 4, "d": 8}

KNOBS: Knob = {
    "dc voltage": ranges("V", 3999, "400.0 m", "4.000", "40.00", "400.0", "1000", ohms=VOLT_OHMS),
    "ac voltage": ranges("V", 3999, "4.000", "40.00", "400.0", "1000", ohms=VOLT_OHMS[1:]),
    "resistance": ranges("ohm", 3999, "400.0", "4.000 k", "40.00 k", "400.0 k", "4.000 M", "40.00 M"),
    "continuity": ranges("ohm", 3999, "400.0"),
    "diode": ranges("V", 3999, "4.000"),
    "capacitance": ranges("F", 3999, "40.00 n", "400.0 n", "4.000 u", "40.00 u", "400.0 u"),
    "frequency": ranges("Hz", 3999, "10.00", "100.0", "1000", "10.00 k", "100.0 k", "1.000 M", "10.00 M"),
    "duty factor": ranges("%", 999, "99.9"),
    "dc current": ranges("A", 3999, "40.00 m", "400.0 m", "4.000"),
    "ac current": ranges("A", 3999, "40.00 m", "400.0 m", "4.000"),
    "temperature": ranges("degC", 1000, "1000"),
}


def _digit_bytes(text: str, panel: SerialPanel) -> list[int]:
    out = []
    for place, char in enumerate(text):
        mark = panel.minus if place == 0 else panel.decimals == len(text) - place
        out.append(8 * mark + sum(bit for segment, bit in _HIGH.items() if segment in _LIT[char]))
        out.append(sum(bit for segment, bit in _LOW.items() if segment in _LIT[char]))
    return out


def encode(panel: SerialPanel) -> bytes:
    """The 14 bytes that a host port set to 2400 8N1 sees for this display.

    An overload is shown as blank, 0, L, blank, its point where the range has it.
    """
    p, unit, prefix = panel, panel.unit, panel.prefix
    nibbles = [
        8 * p.ac + 4 * p.dc + 2 * p.auto + 1,
        *_digit_bytes(" 0L " if p.overload else p.digits(4), p),
        8 * (prefix == "u") + 4 * (prefix == "n") + 2 * (prefix == "k") + p.diode,
        8 * (prefix == "m") + 4 * (unit == "%") + 2 * (prefix == "M") + p.beeper,
        8 * (unit == "F") + 4 * (unit == "ohm") + 2 * p.relative + p.hold,
        8 * (unit == "A") + 4 * (unit == "V") + 2 * (unit == "Hz") + p.low_battery,
        4 * (unit == "degC"),
    ]
    return bytes((index + 1) << 4 | nibble for index, nibble in enumerate(nibbles))


class Fs9721Handheld(FrameMeter):
    """The handheld on the bench; `inputs[1]` is between its leads. `meter` has its knob and keys."""

    def __init__(self, clock: Clock, inputs: Inputs, *, seed: int = 0, knob: str = "dc voltage") -> None:
        meter = Handheld(inputs, KNOBS, knob=knob, seed=seed, live_hold=False)
        super().__init__(clock, meter, encode, interval=0.3, wire=WIRE)
