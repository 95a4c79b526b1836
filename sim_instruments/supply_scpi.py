"""A SCPI bench supply that can switch the power of what hangs on it.

Rules kept: above its current limit it holds the current and lets the voltage fall; a protection trip switches the
output off and stays until cleared; after `*RST` and after a brown-out the output is off. Its terminals follow with the
time constants of its output capacitor: switched off it is not yet without voltage.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from math import exp
from typing import Literal

import numpy as np

from benchrig.clock import Clock

from .interfaces import Inputs
from .scpi import ScpiInstrument
from .scpi_errors import ScpiError
from .scpi_settings import numeric, switch
from .scpi_tree import Call, ScpiCommand
from .scpi_values import Numeric, nr3

_LEVEL = "[:LEVel][:IMMediate][:AMPLitude]"
_UP, _DOWN = (
    0.02,
    0.15,
)  # s, time constants of the terminals, unloaded (lab supplies' data sheets: common for the class, no source)
_UNREGULATED = {"volts": 0x1, "amps": 0x2}  # QUEStionable bits: which of the two is not held


class BenchSupply(ScpiInstrument):
    """One output of 30 V, 3 A.

    switch  called with True or False when the output really goes on or off
    load    amperes drawn at a voltage; None draws nothing
    """

    def __init__(
        self,
        clock: Clock,
        inputs: Inputs | None = None,
        *,
        seed: int = 0,
        switch: Callable[[bool], None] = lambda on: None,
        load: Callable[[float], float] | None = None,
        unread: Literal["late", "drop"] = "late",
    ) -> None:
        self._switch = switch
        self.load = load
        self._rng = np.random.default_rng(seed)
        self._on = False
        self._seen, self._then = 0.0, clock.now()  # volts at the terminals, and when
        super().__init__(clock, ("BENCH SUPPLIES", "S30-3", f"SIMULATED{seed:04d}", "1.0"), unread=unread)
        self.defaults()

    def defaults(self) -> None:
        self._turn(False)
        self.volts, self.amps = 0.0, 0.1
        self.volts_most, self.amps_guarded, self.volts_guarded = 32.0, False, True
        self.tripped = False

    @property
    def on(self) -> bool:
        return self._on

    @on.setter
    def on(self, on: bool) -> None:
        if on and self.tripped:
            raise ScpiError(-221, "protection has tripped")
        self._turn(on)

    def _turn(self, on: bool) -> None:
        if on != self._on:
            self._on = on
            self._switch(on)

    def before(self, call: Call) -> None:
        self._output()

    def _output(self) -> tuple[float, float]:
        """Volts and amperes at the terminals now; trips what is guarded."""
        if not self._on:
            self.status.questionable.set_condition(0)
            return self._followed(0.0), 0.0
        drawn = max(0.0, self.load(self.volts)) if self.load else 0.0
        limited = drawn > self.amps
        if (limited and self.amps_guarded) or (self.volts_guarded and self.volts > self.volts_most):
            self.tripped = True
            self._turn(False)
            return self._followed(0.0), 0.0
        self.status.questionable.set_condition(_UNREGULATED["volts" if limited else "amps"])
        held = self.volts * self.amps / drawn if limited else self.volts
        return self._followed(held), self.amps if limited else drawn

    def _followed(self, volts: float) -> float:
        """The terminals now, on their way to `volts` since they were looked at before."""
        elapsed, self._then = self.time - self._then, self.time
        away = self._seen - volts
        self._seen = volts + away * exp(-elapsed / (_DOWN if away > 0.0 else _UP))
        return self._seen

    def commands(self) -> Iterable[ScpiCommand]:
        yield from self.error_commands()
        yield from self._level_commands()
        yield from self._protection_commands()
        yield from switch("OUTPut[:STATe]", self._self, "on")
        for word, pick in (("VOLTage", 0), ("CURRent", 1)):
            yield ScpiCommand(f"MEASure[:SCALar]:{word}[:DC]?", self._measuring(pick))
        yield ScpiCommand("MEASure[:SCALar]:POWer[:DC]?", lambda call: nr3(self._output()[0] * self._output()[1], 5))
        yield from numeric("INSTrument:NSELect", Numeric(1, 1, 1, whole=True), self._self, "selected", self._whole)

    def _level_commands(self) -> Iterator[ScpiCommand]:
        yield from numeric(f"[SOURce:]VOLTage{_LEVEL}", _VOLTS, self._self, "volts", self._short)
        yield from numeric(f"[SOURce:]CURRent{_LEVEL}", _AMPS, self._self, "amps", self._short)
        yield ScpiCommand("APPLy", self._apply, 1, 2)
        yield ScpiCommand("APPLy?", lambda call: f'"{self.volts:.5f},{self.amps:.5f}"')

    def _protection_commands(self) -> Iterator[ScpiCommand]:
        stem = "[SOURce:]VOLTage:PROTection"
        yield from numeric(f"{stem}[:LEVel]", Numeric(0.5, 32, 32, "V"), self._self, "volts_most", self._short)
        yield from switch(f"{stem}:STATe", self._self, "volts_guarded")
        yield from switch("[SOURce:]CURRent:PROTection:STATe", self._self, "amps_guarded")
        for quantity in ("VOLTage", "CURRent"):
            yield ScpiCommand(f"[SOURce:]{quantity}:PROTection:TRIPped?", lambda call: str(int(self.tripped)))
            yield ScpiCommand(f"[SOURce:]{quantity}:PROTection:CLEar", lambda call: setattr(self, "tripped", False))
        yield ScpiCommand("OUTPut:PROTection:CLEar", lambda call: setattr(self, "tripped", False))

    selected = 1.0

    def _self(self, call: Call) -> BenchSupply:
        return self

    @staticmethod
    def _short(value: float) -> str:
        return nr3(value, 5)

    @staticmethod
    def _whole(value: float) -> str:
        return str(int(value))

    def _measuring(self, which: int) -> Callable[[Call], str]:
        return lambda call: nr3(self._output()[which] + 2e-4 * float(self._rng.standard_normal()), 5)

    def _apply(self, call: Call) -> None:
        volts = _VOLTS.read(call.args[0])
        self.amps = _AMPS.read(call.args[1]) if len(call.args) > 1 else self.amps
        self.volts = volts


_VOLTS = Numeric(0, 30, 0, "V")
_AMPS = Numeric(0.001, 3, 0.1, "A")
