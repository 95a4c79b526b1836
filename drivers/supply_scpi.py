"""Bench supplies that speak SCPI: output on and off, levels, and what flows.

- A switch is believed only when the supply says so itself: `OUTPut?` is asked after each `OUTPut`. The error queue only
  explains why it did not: an old error in it must not stand between somebody and "off".
- After a reboot the output stays as the supply woke up. Levels are sent again, but nothing switches a unit on behind
  the back of whoever is working on it.
- `release` gives the panel back and leaves the output as it is: switching off is a decision of the procedure.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from benchrig.clock import Clock
from benchrig.errors import InstrumentError
from benchrig.instruments import FUNCTION_UNIT, Function, Identity, LineSettings
from benchrig.links.base import Link
from benchrig.links.scpi_port import ScpiPort
from benchrig.readings import Flag, Reading
from benchrig.wire.answers import Number, Special

from . import options as driver_options
from . import scpi_common
from .scpi_common import number_text

LINE = LineSettings(baud=9600)

# Series with this grammar (common practice, no source); other supplies may be named in a bench file all the same.
_MODELS = re.compile(r"(HEWLETT|AGILENT|KEYSIGHT).* (E36|E36\d\d\dA|EDU36|66\d\d)|RIGOL.* DP[789]|KEITHLEY.* 22\d\d")

_QUESTIONS = {Function.DC_VOLTAGE: "MEAS:VOLT?", Function.DC_CURRENT: "MEAS:CURR?"}
_TOLERANCE = 1e-3  # of a level read back: supplies round to their own steps


class ScpiSupply:
    """A supply. Options: `channels` (1; with more, `INSTrument:NSELect` chooses), `remote` ("auto", "yes", "no"),
    `timeout` in seconds.
    """

    LINE = LINE

    def __init__(self, link: Link, clock: Clock, options: Mapping[str, Any] | None = None) -> None:
        defaults = {"channels": 1, "remote": ("auto", "yes", "no"), "timeout": 2.0}
        self.options = driver_options.take(options, "supply-scpi", defaults)
        self._clock = clock
        self._address = link.address
        self._port = ScpiPort(link, clock, timeout=self.options["timeout"])
        remote = self.options["remote"]
        self._remote = remote == "yes" or (remote == "auto" and scpi_common.on_serial(link.address))
        self._identity: Identity | None = None
        self._forms: dict[tuple[Function, int], scpi_common.Forms] = {}
        self._levels: dict[tuple[int, str], float] = {}

    @staticmethod
    def takes(identity: Identity) -> bool:
        """True for an answer to `*IDN?` that names a model of this family."""
        return bool(_MODELS.match(f"{identity.maker} {identity.model}".upper()))

    def identify(self) -> Identity:
        """The four fields of `*IDN?`."""
        if self._remote:
            self._port.send("SYST:REM")
        self._identity = Identity(*self._port.identify())
        return self._identity

    def restore(self) -> None:
        """Send the levels again; never the output."""
        self._port.resync()
        if self._remote:
            self._port.send("SYST:REM")
        for (channel, node), value in self._levels.items():
            self._level(channel, node, value)

    def release(self) -> None:
        """Hand the panel back; the output stays as it is."""
        scpi_common.quietly(self._port, *(["SYST:LOC"] if self._remote else []))

    def set_output(self, on: bool, channel: int = 1) -> None:
        """Switch, and ask whether it did. Raises InstrumentError if it did not."""
        self._choose(channel)
        self._port.send(f"OUTP {'ON' if on else 'OFF'}")
        if self.output_is_on(channel) is not on:
            scpi_common.refuse(self._port.errors(), self._name(), f"to switch {'on' if on else 'off'}")
            raise InstrumentError(
                f"{self._name()} was told to switch {'on' if on else 'off'} and did not.",
                instrument=self._name(),
                next_step="Switch it on its own panel, and treat the unit as live until it is seen to be off.",
            )

    def output_is_on(self, channel: int = 1) -> bool:
        """As the supply itself says."""
        self._choose(channel)
        answer = self._port.ask("OUTP?").upper()
        if answer not in ("0", "1", "ON", "OFF"):
            raise InstrumentError(
                f"{self._name()} answered {answer!r} to OUTP?.",
                instrument=self._name(),
                next_step="Look at its panel, and treat the unit as live until it is seen to be off.",
            )
        return answer in ("1", "ON")

    def set_level(self, *, volts: float | None = None, amps: float | None = None, channel: int = 1) -> None:
        """Set the voltage and the current limit; each is asked back. The limit goes first."""
        for node, value in (("CURR", amps), ("VOLT", volts)):
            if value is not None:
                self._level(channel, node, value)
                self._levels[channel, node] = value

    def measure(self, function: Function, deadline: float, channel: int = 1) -> Reading:
        """What the supply itself measures at its terminals: DC volts or amperes."""
        if function not in _QUESTIONS:
            raise InstrumentError(
                f"{self._name()} does not measure {function.value}.",
                instrument=self._name(),
                next_step="It measures dc voltage and dc current.",
            )
        self._choose(channel)
        forms = self._forms.setdefault((function, channel), scpi_common.Forms())
        for _ in range(scpi_common.AGAIN):  # the first answer of a form is only known by the next one of it
            sent = self._clock.now()
            found = self._port.ask_number(_QUESTIONS[function], timeout=max(0.0, deadline - sent))
            if found.special is not None or forms.known(found.text, grows=True):
                break
        else:
            self._port.resync()
            found = Number(None, Special.NONE, f"{found.text}: not written as the answers before it")
        now = self._clock.now()
        flags = Flag.DC
        if found.special is not None:
            flags |= Flag.INVALID if found.special is Special.NONE else Flag.OVERLOAD
        return Reading(found.value, FUNCTION_UNIT[function], now, flags, aperture=now - sent, text=found.text)

    def _level(self, channel: int, node: str, value: float) -> None:
        self._choose(channel)
        self._port.send(f"{node} {number_text(value)}")
        found = self._port.ask_number(f"{node}?").value
        if found is None or abs(found - value) > _TOLERANCE * max(abs(value), 1.0):
            scpi_common.refuse(self._port.errors(), self._name(), f"{node} {value:g}")
            raise InstrumentError(
                f"{self._name()} was set to {node} {value:g} and says {found}.",
                instrument=self._name(),
                next_step="Check the value against its ranges and limits.",
            )

    def _choose(self, channel: int) -> None:
        channels = self.options["channels"]
        if not 1 <= channel <= channels:
            raise InstrumentError(
                f"{self._name()} has no channel {channel}.",
                instrument=self._name(),
                next_step="Set the option `channels` in the bench file to the number it has.",
            )
        if channels > 1:  # each time: a reboot, or a finger on the panel, chooses too
            self._port.errors()  # what stands there already is no answer to this
            self._port.send(f"INST:NSEL {channel}")
            scpi_common.refuse(self._port.errors(), self._name(), f"channel {channel}")

    def _name(self) -> str:
        return f"{self._identity.model if self._identity else 'The supply'} at {self._address}"
