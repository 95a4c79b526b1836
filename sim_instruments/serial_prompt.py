"""Bench meter that answers lines with a prompt (Fluke 45 and 8808A, and 884xA in that emulation).

Rules kept: `=>` done, `?>` not understood, `!>` understood but not possible; answers of one line are joined by `;` and
come before the prompt; `VAL1?` is what the display shows, `MEAS1?` the next finished reading; a line with a bad command
is dropped from that command on; a line sent before the prompt is lost; an overload is +1E+9.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable

from benchrig.clock import Clock

from .interfaces import Inputs
from .scpi import PendingOperation, Steps
from .serial_handheld import Handheld, Handset
from .serial_panel import Knob, SerialPanel, ranges

LINE = "9600 8N1"
_INPUT_LIMIT = 350  # bytes (Fluke 45); more is thrown away with the line
_CATCH_UP = 8
_RATES = {"S": 0.4, "M": 0.2, "F": 0.05}  # seconds per reading
_FUNCTIONS = {  # command -> knob position, unit as answered
    "VDC": ("dc voltage", "VDC"), "VAC": ("ac voltage", "VAC"), "ADC": ("dc current", "ADC"),
    "AAC": ("ac current", "AAC"), "OHMS": ("resistance", "OHMS"), "FREQ": ("frequency", "HZ"),
    "CONT": ("continuity", "OHMS"), "DIODE": ("diode", "VDC"),
}  # fmt: skip
_OVERLOAD = "+1E+9"
_ALLOWED = {
    "dc": (2.5e-4, 2.0),
    "ac": (2e-3, 10.0),
    "resistance": (5e-4, 2.0),
}  # a year (Fluke 45: common for the class, no source)


def _knobs(full: int, volts: tuple[str, ...]) -> Knob:
    return {
        "dc voltage": ranges("V", full, *volts, ohms=(1e7,) * 5),
        "ac voltage": ranges("V", full, *volts, ohms=(1e6,) * 5),
        "resistance": ranges("ohm", full, "100.00", "1.0000 k", "10.000 k", "100.00 k", "1.0000 M", "10.000 M"),
        "continuity": ranges("ohm", full, "100.00"),
        "diode": ranges("V", full, "1.0000"),
        "frequency": ranges("Hz", full, "1000.0", "10.000 k", "100.00 k", "1.0000 M"),
        "dc current": ranges("A", full, "30.000 m", "100.00 m", "10.000"),
        "ac current": ranges("A", full, "30.000 m", "100.00 m", "10.000"),
    }


# Range names follow the rate (no source): slow 100 mV, 1 V ...; medium and fast 300 mV, 3 V ...
_SLOW = _knobs(99999, ("100.000 m", "1000.00 m", "10.0000", "100.000", "1000.00"))
_QUICK = _knobs(30000, ("300.00 m", "3.0000", "30.000", "300.00", "1000.0"))


class _NotUnderstood(Exception):
    """Answered with ?>."""


class _NotPossible(Exception):
    """Answered with !>."""


def encode(panel: SerialPanel, unit: str = "") -> bytes:
    """One value as this grammar writes it: `+1.2345E+0`, with a unit after a space in format 2."""
    value = panel.value
    if value is None:
        return (_OVERLOAD + (f" {unit}" if unit else "")).encode("ascii")
    mantissa, exponent = f"{value:+.{max(1, len(str(panel.counts)) - 1)}E}".split("E")
    return f"{mantissa}E{int(exponent):+d}{' ' + unit if unit else ''}".encode("ascii")


class PromptMeterDouble(Handset):
    """A `Double`; `inputs[1]` is between its terminals.

    echo  True: every line comes back before its answer, as on its serial port with echo on
    """

    plugged = True

    def __init__(self, clock: Clock, inputs: Inputs, *, seed: int = 0, echo: bool = False) -> None:
        self._clock = clock
        self._inputs = inputs
        self._seed = seed
        self.echo = echo
        self.identity = f"FLUKE, 45, SIMULATED{seed:04d}, 1.0 D1.0"
        self.frozen = False
        self._held = bytearray()
        self._work: PendingOperation | None = None
        self._out: deque[tuple[float, bytes]] = deque()
        self._commands = self._table()
        self._defaults()

    def _defaults(self) -> None:
        self._function, self._rate, self._format, self._events = "VDC", "S", 1, 0
        self._fit()

    def _fit(self) -> None:
        """A new function or rate: other ranges, AUTO, and the conversions start afresh."""
        knob = _FUNCTIONS[self._function][0]
        knobs = _SLOW if self._rate == "S" else _QUICK
        fresh = Handheld(self._inputs, knobs, knob=knob, seed=self._seed, live_hold=False, allowed=_ALLOWED)
        fresh.error = getattr(self, "meter", fresh).error  # a function's choice mends no instrument
        self.meter = fresh
        self._started, self._done = self._clock.now(), 0
        self._panel: SerialPanel | None = None

    def reset(self) -> None:
        """A brown-out: settings lost, power-on bit set."""
        self._clear()
        self._defaults()
        self._events = 0x80

    # The cable's side

    def receive(self, data: bytes) -> None:
        self._advance()
        if self.frozen:
            return
        for byte in data:
            if byte == 3:  # Ctrl-C is device clear
                self._clear()
                self._say("\r\n=>\r\n")
            elif byte in b"\r\n":
                line, self._held = bytes(self._held), bytearray()
                self._start(line)
            elif len(self._held) < _INPUT_LIMIT:
                self._held.append(byte)
        self._advance()

    def due(self) -> float | None:
        if self._out:
            return self._out[0][0]
        busy = self._work is not None and self._work.finished is None
        return self._work.wake if busy and self._work and not self.frozen else None

    def take(self) -> bytes:
        self._advance()
        ready = []
        while self._out and self._out[0][0] <= self._clock.now() and not self.frozen:
            ready.append(self._out.popleft()[1])
        return b"".join(ready)

    def _clear(self) -> None:
        self._held.clear()
        self._out.clear()
        if self._work is not None:
            self._work.abort(self._clock.now())

    def _say(self, text: str, when: float | None = None) -> None:
        self._out.append((self._clock.now() if when is None else when, text.encode("latin-1")))

    def _advance(self) -> None:
        if self._work is not None and not self.frozen:
            self._work.advance(self._clock.now())

    def _start(self, raw: bytes) -> None:
        line = raw.decode("latin-1").strip()
        if not line:
            return
        if self._work is not None and self._work.finished is None:  # before the prompt: lost
            self._events |= 0x08
            return
        self._work = PendingOperation(self._answer(line))

    # Lines

    def _answer(self, line: str) -> Steps:
        now, answers, prompt = self._clock.now(), [], "=>"
        for command in line.split(";"):
            try:
                now = yield from self._wait_for(command, now)
                answers.append(self._perform(command, now))
            except (_NotUnderstood, _NotPossible) as refusal:
                understood = isinstance(refusal, _NotPossible)
                self._events |= 0x10 if understood else 0x20
                prompt = "!>" if understood else "?>"
                break
        said = ";".join(answer for answer in answers if answer is not None)
        echo = f"{line}\r\n" if self.echo else ""
        self._say(f"{echo}{said}\r\n{prompt}\r\n" if said else f"{echo}{prompt}\r\n", now)
        return now

    def _wait_for(self, command: str, now: float) -> Steps:
        """MEAS waits for the next conversion to end, VAL only for the first there ever is."""
        name = command.strip().upper()
        interval = _RATES[self._rate]
        finished = int((now - self._started) / interval + 1e-9)
        if name in ("MEAS1?", "MEAS?") or (name in ("VAL1?", "VAL?") and finished == 0):
            end = self._started + (finished + 1) * interval
            seen = now
            while seen < end:
                seen = yield end
            return end
        return now

    def _shown(self, now: float) -> SerialPanel:
        interval = _RATES[self._rate]
        finished = int((now - self._started) / interval + 1e-9)
        for number in range(max(self._done, finished - _CATCH_UP), finished):
            end = self._started + (number + 1) * interval
            self._panel = self.meter.convert(end - 0.9 * interval, end)
        self._done = finished
        if self._panel is None:
            raise _NotPossible
        return self._panel

    def _value(self, now: float) -> str:
        unit = _FUNCTIONS[self._function][1] if self._format == 2 else ""
        return encode(self._shown(now), unit).decode("ascii")

    def _perform(self, command: str, now: float) -> str | None:
        name, _, argument = re.sub(r"\s+", " ", command.strip().upper()).partition(" ")
        if name in ("VAL1?", "MEAS1?", "VAL?", "MEAS?") and not argument:
            return self._value(now)
        if name in _FUNCTIONS and not argument:
            self._function = name
            self._fit()
            return None
        if name not in self._commands:
            raise _NotUnderstood
        return self._commands[name](argument)

    # The table: argument in, answer or None out

    def _table(self) -> dict[str, Callable[[str], str | None]]:
        return {
            "*IDN?": self._bare(lambda: self.identity),
            "*RST": self._bare(self._defaults),
            "*CLS": self._bare(self._forget_events),
            "*ESR?": self._bare(lambda: str(self._events_read())),
            "*OPC?": self._bare(lambda: "1"),
            "FUNC1?": self._bare(lambda: self._function),
            "VAL2?": self._bare(self._no_second_display),
            "MEAS2?": self._bare(self._no_second_display),
            "FUNC2?": self._bare(self._no_second_display),
            "AUTO": self._bare(lambda: self.meter.automatic()),
            "AUTO?": self._bare(lambda: str(int(self.meter.auto))),
            "FIXED": self._bare(lambda: self.meter.fix_range(self.meter.at)),
            "RANGE": self._set_range,
            "RANGE1?": self._bare(lambda: str(self.meter.at + 1)),
            "RATE": self._set_rate,
            "RATE?": self._bare(lambda: self._rate),
            "FORMAT": self._set_format,
            "FORMAT?": self._bare(lambda: str(self._format)),
            "MOD?": self._bare(self._modifiers),
            "HOLD": self._bare(lambda: self.meter.hold(True)),
            "HOLDCLR": self._bare(lambda: self.meter.hold(False)),
            "REL": self._bare(lambda: setattr(self.meter, "relative", True)),
            "RELCLR": self._bare(lambda: setattr(self.meter, "relative", False)),
            "MIN": self._bare(lambda: self.meter.keep("min")),
            "MAX": self._bare(lambda: self.meter.keep("max")),
            "MNMXCLR": self._bare(lambda: self.meter.keep("")),
            **{word: self._bare(lambda: None) for word in ("REMS", "RWLS", "LOCS", "LWLS")},
        }

    @staticmethod
    def _bare(work: Callable[[], str | None]) -> Callable[[str], str | None]:
        """A command that takes no argument."""

        def perform(argument: str) -> str | None:
            if argument:
                raise _NotUnderstood
            return work()

        return perform

    def _events_read(self) -> int:
        events, self._events = self._events, 0
        return events

    def _forget_events(self) -> None:
        self._events = 0

    @staticmethod
    def _no_second_display() -> str | None:
        raise _NotPossible

    def _set_range(self, argument: str) -> None:
        if not re.fullmatch(r"\d{1,3}", argument):
            raise _NotUnderstood
        if not 1 <= int(argument) <= len(self.meter.ranges):
            raise _NotPossible
        self.meter.fix_range(int(argument) - 1)

    def _set_rate(self, argument: str) -> None:
        if argument not in _RATES:
            raise _NotUnderstood
        self._rate = argument
        self._fit()

    def _set_format(self, argument: str) -> None:
        if argument not in ("1", "2"):
            raise _NotUnderstood
        self._format = int(argument)

    def _modifiers(self) -> str:
        meter = self.meter
        sum_of = (meter.extreme == "min") + 2 * (meter.extreme == "max") + 4 * meter.held + 32 * meter.relative
        return str(sum_of)
