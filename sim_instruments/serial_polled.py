"""Handheld that answers `D` with 14 characters (Metex and its many relabels).

Rules kept: mode, seven characters of value, four of unit, CR and no LF; the overload text keeps its point; diode is in
millivolts; hold, AUTO, REL and a low battery do not show on this link; between two conversions the same line comes
again; 1200 baud 7N2 and about three conversions in two seconds.
"""

from __future__ import annotations

from collections import deque

from benchrig.clock import Clock

from .interfaces import Inputs
from .serial_handheld import Handheld, Handset
from .serial_panel import VOLT_OHMS, Knob, SerialPanel, ranges

LINE = "1200 7N2"
WIRE = 14 * 10 / 1200
_INTERVAL = 0.65
_CATCH_UP = 6  # conversions done at most for a meter that was not asked for a while: AUTO has settled by then
_MOST_WAITING = 16  # questions

KNOBS: Knob = {
    "dc voltage": ranges("V", 3999, "400.0 m", "4.000", "40.00", "400.0", "1000", ohms=VOLT_OHMS),
    "ac voltage": ranges("V", 3999, "400.0 m", "4.000", "40.00", "400.0", "750", ohms=VOLT_OHMS),
    "resistance": ranges("ohm", 3999, "400.0", "4.000 k", "40.00 k", "400.0 k", "4.000 M", "40.00 M"),
    "diode": ranges("V", 3999, "4000 m"),
    "capacitance": ranges("F", 3999, "4.000 n", "400.0 n", "40.00 u"),
    "frequency": ranges("Hz", 3999, "4.000 k", "40.00 k", "400.0 k"),
    "dc current": ranges("A", 3999, "4.000"),
    "ac current": ranges("A", 3999, "4.000"),
    "temperature": ranges("degC", 9999, "1000"),
}
_OVERLOADS = {3: ".OL", 2: "O.L", 1: "OL."}
_UNITS = {
    ("V", ""): "V", ("V", "m"): "mV", ("A", ""): "A", ("A", "m"): "mA", ("A", "u"): "uA", ("ohm", ""): "Ohm",
    ("ohm", "k"): "KOhm", ("ohm", "M"): "MOhm", ("F", "n"): "nF", ("F", "u"): "uF", ("Hz", ""): "Hz",
    ("Hz", "k"): "KHz", ("Hz", "M"): "MHz", ("degC", ""): "C", ("degF", ""): "F",
}  # fmt: skip


def _mode(panel: SerialPanel) -> str:
    if panel.diode:
        return "DI"
    if panel.unit in ("V", "A"):
        return "AC" if panel.ac else "DC"
    return {"ohm": "OH", "F": "CA", "Hz": "FR", "degC": "TE", "degF": "TE"}[panel.unit]


def _value(panel: SerialPanel) -> str:
    if panel.overload:
        return f"{'-' if panel.minus else ''}{_OVERLOADS.get(panel.decimals, 'OL')}".rjust(6) + " "
    digits = panel.digits(panel.decimals + 1 if panel.decimals else 4)
    whole, fraction = digits[: len(digits) - panel.decimals], digits[len(digits) - panel.decimals :]
    return f"{'-' if panel.minus else ''}{whole}{'.' if fraction else ''}{fraction}".rjust(7)


def encode(panel: SerialPanel) -> bytes:
    """The 14 characters of one answer. Raises KeyError for a unit that this link has no word for."""
    return f"{_mode(panel)}{_value(panel)}{_UNITS[panel.unit, panel.prefix]:>4}\r".encode("ascii")


class PolledHandheld(Handset):
    """A `Double` that answers `D`; `inputs[1]` is between its leads. `meter` has its knob and keys; nothing on the link
    shows a held reading or a flat battery."""

    plugged = True

    def __init__(self, clock: Clock, inputs: Inputs, *, seed: int = 0, knob: str = "dc voltage") -> None:
        self._clock = clock
        self.meter = Handheld(inputs, KNOBS, knob=knob, seed=seed, live_hold=False)
        self._started = clock.now()
        self._done = 0  # conversions since then
        self._line = b""
        self._out: deque[tuple[float, bytes]] = deque()
        self.frozen = False

    def freeze(self, on: bool = True) -> None:
        """No answer while on."""
        self.frozen = on

    def reset(self) -> None:
        """A brown-out: what the keys had set is lost."""
        self.meter.reset()
        self._out.clear()
        self._line = b""
        self._started, self._done = self._clock.now(), 0

    def receive(self, data: bytes) -> None:
        """Every `D` asks for one line; anything else is ignored."""
        now = self._clock.now()
        for _ in range(min(data.count(b"D"), _MOST_WAITING)):
            if not self.frozen and len(self._out) < _MOST_WAITING and self._latest(now):
                begun = max(now, self._out[-1][0]) if self._out else now
                self._out.append((begun + WIRE, self._line))

    def due(self) -> float | None:
        return self._out[0][0] if self._out else None

    def take(self) -> bytes:
        ready = []
        while self._out and self._out[0][0] <= self._clock.now():
            ready.append(self._out.popleft()[1])
        return b"".join(ready)

    def _latest(self, now: float) -> bytes:
        """The line of the last finished conversion; b"" before the first."""
        finished = int((now - self._started) / _INTERVAL)
        for number in range(max(self._done, finished - _CATCH_UP), finished):
            end = self._started + (number + 1) * _INTERVAL
            self._line = encode(self.meter.convert(end - 0.9 * _INTERVAL, end))
        self._done = finished
        return self._line
