"""Bench meters that end each answer with a prompt (Fluke 45, 8808A, 884xA in that emulation), on serial.

- The next line is sent only after the prompt: an early one is thrown away by the meter with an error.
- After a timeout the meter is cleared (Ctrl-C) and asked who it is; only then is it asked for anything else, so a late
  answer never becomes a reading.
- `MEAS1?` waits for a completed measurement; `VAL1?` may repeat an old one and is not used. Function and autorange are
  asked in the same line, so a reading always carries its own unit, and a meter that was switched on again is known by
  the number without a unit that its power-on format gives.

The grammar is in `prompt_answers`. Sources: the makers' manuals; serial defaults and ranges by rate are common
practice.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from benchrig.clock import Clock
from benchrig.errors import InstrumentError, LinkError, LinkTimeout
from benchrig.instruments import Function, Identity, LineSettings
from benchrig.links.base import Link
from benchrig.readings import Flag, Reading
from benchrig.wire import answers

from . import display, knob, prompt_answers
from . import options as driver_options
from .panel import Panel
from .prompt_answers import PromptAnswer
from .prompt_answers import decode as decode

LINE = LineSettings(baud=9600, data_bits=8, parity="N", stop_bits=1)

_MODELS = re.compile(r"FLUKE (45|8808A|884[56]A)$")
_FUNCTIONS = {
    Function.DC_VOLTAGE: "VDC",
    Function.AC_VOLTAGE: "VAC",
    Function.DC_CURRENT: "ADC",
    Function.AC_CURRENT: "AAC",
    Function.RESISTANCE: "OHMS",
    Function.FREQUENCY: "FREQ",
    Function.CONTINUITY: "CONT",
    Function.DIODE: "DIODE",
}
# Full scales of the volt ranges 1, 2, ... by rate; other functions stay on autorange.
_VOLT_RANGES = {"S": (0.1, 1.0, 10.0, 100.0, 1000.0), "M": (0.3, 3.0, 30.0, 300.0, 1000.0)}
# Bits of MOD? -> flag; dB and power change what the number means.
_MODIFIERS = {
    3: Flag.MINMAX,  # 1 is the least, 2 the greatest
    4: Flag.HOLD,
    8: Flag.INVALID,
    16: Flag.INVALID,
    32: Flag.RELATIVE,
}
_QUIET_BY = 5.0  # seconds; a meter set to print by itself never falls silent
_MOST = 4096  # bytes without a prompt: not this grammar


@dataclass(frozen=True, slots=True)
class _PromptSetup:
    function: Function
    expected: float | None
    rate: str


class PromptMeter:
    """A meter of this kind. Options: `timeout` in seconds for settings (2.0)."""

    LINE = LINE

    def __init__(self, link: Link, clock: Clock, options: Mapping[str, Any] | None = None) -> None:
        self.options = driver_options.take(options, "prompt", {"timeout": 2.0})
        self._link = link
        self._clock = clock
        self._buffer = b""
        self._in_step = False
        self._identity: Identity | None = None
        self._setup: _PromptSetup | None = None
        self._panel = Panel(clock, self._changed_at_panel)
        self._steps = display.RangeSteps()

    @staticmethod
    def takes(identity: Identity) -> bool:
        """True for an answer to `*IDN?` that names a model of this family."""
        return bool(_MODELS.match(f"{identity.maker} {identity.model}".upper()))

    def identify(self) -> Identity:
        """The four fields of `*IDN?`."""
        self._identity = self._ask_identity()
        return self._identity

    def select(
        self, function: Function, *, expected: float | None = None, power_line_cycles: float | None = None
    ) -> None:
        """See `Multimeter.select`. 10 power line cycles and more choose the slow rate, fewer the medium one."""
        if function not in _FUNCTIONS:
            raise InstrumentError(
                f"{self._name()} cannot measure {function.value}.",
                instrument=self._name(),
                next_step="Use another meter.",
            )
        rate = "S" if power_line_cycles is not None and power_line_cycles >= 10.0 else "M"
        self._apply(_PromptSetup(function, expected, rate))

    def restore(self) -> None:
        """Take remote control and set up again."""
        self._in_step = False
        if self._setup:
            self._apply(self._setup)

    def release(self) -> None:
        """Back to local."""
        try:
            self._command("LOCS")
        except (LinkError, InstrumentError):
            return

    def read(self, deadline: float) -> Reading:
        """The next completed measurement; one that may have begun before this call says so by its aperture."""
        setup = self._setup or self._apply(_PromptSetup(Function.DC_VOLTAGE, None, "M"))
        reading = self._measure(deadline)
        if not knob.fits(setup.function, reading):  # nor does a number without a unit
            self.restore()
            reading = self._measure(deadline)
        knob.check(setup.function, reading, self._name())
        return self._steps.marked(reading)

    def _measure(self, deadline: float) -> Reading:
        sent = self._clock.now()
        frame = self._exchange("FUNC1?;AUTO?;MEAS1?", deadline)
        now = self._clock.now()
        self._done(prompt_answers.parse(frame), "MEAS1?")
        reading = prompt_answers.decode(frame)
        return self._panel.mark(replace(reading, time=now, aperture=now - sent), sent)

    def _apply(self, setup: _PromptSetup) -> _PromptSetup:
        self._command("REMS")
        self._command("FORMAT 2")
        self._command(_FUNCTIONS[setup.function])
        self._command(f"RATE {setup.rate}")
        number = _range_number(setup)
        self._command(f"RANGE {number}" if number else "AUTO")
        if number and self._command("RANGE1?").lines != (str(number),):
            raise InstrumentError(
                f"{self._name()} did not take its range {number}.",
                instrument=self._name(),
                next_step="Leave out the expected value to measure on autorange.",
            )
        self._setup = setup
        self._panel.forget()  # if the look fails, the next reading makes it again
        self._panel.look()
        return setup

    def _changed_at_panel(self) -> Flag:
        """Hold, relative, min/max and dB are keys on the panel; any of them makes the number another thing."""
        lines = self._command("MOD?").lines
        keys = answers.number("\n".join(lines)).value
        if keys is None:
            raise InstrumentError(
                f"{self._name()} answers {lines[0]!r} where the keys of its panel were asked for.",
                instrument=self._name(),
                next_step="Check that the meter speaks this grammar.",
            )
        flags = Flag.NONE
        for bits, flag in _MODIFIERS.items():
            if round(keys) & bits:
                flags |= flag
        return flags

    # The conversation

    def _command(self, line: str) -> PromptAnswer:
        return self._done(prompt_answers.parse(self._exchange(line)), line)

    def _done(self, answer: PromptAnswer, line: str) -> PromptAnswer:
        if answer.prompt == prompt_answers.DONE:
            return answer
        why = "does not understand" if answer.prompt == prompt_answers.NOT_UNDERSTOOD else "cannot carry out"
        raise InstrumentError(
            f"{self._name()} {why} {line!r}.",
            instrument=self._name(),
            next_step="Check that the meter speaks this grammar (some need its emulation switched on).",
        )

    def _exchange(self, line: str, deadline: float | None = None) -> bytes:
        if self._buffer or self._link.read(self._clock.now()):
            self._in_step = False  # something came unasked: the next answer would be taken for the one after it
        if not self._in_step:
            self._clear()
        return self._send_and_wait(line, deadline)

    def _send_and_wait(self, line: str, deadline: float | None = None) -> bytes:
        """One answer up to its prompt. On a timeout the conversation is out of step until it was cleared.

        Without a deadline it has `timeout` seconds from now on: a clearing before it takes nothing away from them.
        """
        self._link.write(line.encode("ascii") + b"\r\n")
        until = self._clock.now() + self.options["timeout"] if deadline is None else deadline
        while True:
            answer, self._buffer = prompt_answers.split(self._buffer)
            if answer:
                return answer
            data = self._link.read(until)
            if not data:
                break
            self._buffer = (self._buffer + data)[-_MOST:]
        self._in_step = False
        raise LinkTimeout(
            f"{self._link.address}: no prompt after {line!r} in time.",
            address=self._link.address,
            doing=line,
            next_step="Check that the meter is on, and its baud rate and parity.",
        )

    def _clear(self) -> None:
        """Ctrl-C, silence, then a question whose answer cannot be mistaken."""
        self._link.write(b"\x03")
        quiet_by = self._clock.now() + _QUIET_BY
        while self._link.read(self._clock.now() + 0.2) and self._clock.now() < quiet_by:
            pass
        self._buffer = b""
        found = self._ask_identity(clearing=True)
        if self._identity and not found.same_unit(self._identity):
            raise InstrumentError(
                f"{found} answers where {self._identity} was.",
                instrument=str(self._identity),
                next_step="Check which meter is on this lead.",
            )
        self._in_step = True

    def _ask_identity(self, *, clearing: bool = False) -> Identity:
        frame = self._send_and_wait("*IDN?") if clearing else self._exchange("*IDN?")
        lines = self._done(prompt_answers.parse(frame), "*IDN?").lines
        return Identity(*answers.identity(lines[0] if len(lines) == 1 else ""))

    def _name(self) -> str:
        return f"{self._identity.model if self._identity else 'The meter'} at {self._link.address}"


def _range_number(setup: _PromptSetup) -> int:
    """The lowest volt range that holds the expected value; 0: stay on autorange."""
    if setup.expected is None or setup.function not in (Function.DC_VOLTAGE, Function.AC_VOLTAGE):
        return 0
    held = (n for n, full in enumerate(_VOLT_RANGES[setup.rate], start=1) if abs(setup.expected) <= full)
    return next(held, 0)
