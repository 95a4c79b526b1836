"""What all scope doubles share: an acquisition system behind a SCPI conversation, and the faults of a scope.

A grammar subclasses `ScopeDouble` once and adds its commands; what a front panel can be set to lies in `front`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchrig.clock import Clock

from .interfaces import Inputs
from .scope_acquire import Acquirer
from .scope_front import Front, FrontChannel, Geometry
from .scope_record import Codes, ScopeRecord
from .scpi import PendingOperation, ScpiInstrument
from .scpi_errors import ScpiError
from .scpi_tree import Call


class ScopeDouble(ScpiInstrument):
    """A scope on the bench.

    inputs   channel number -> what its probe touches
    probes   channel number -> attenuation of the probe that is really there; 10 where not named
    cut_block_to  fault: the next data block carries at most this many points; 0 makes it empty
    """

    def __init__(
        self,
        clock: Clock,
        inputs: Inputs,
        *,
        identity: tuple[str, str, str, str],
        geometry: Geometry,
        channels: int = 4,
        first_probe: float = 10.0,
        probes: Mapping[int, float] | None = None,
        seed: int = 0,
        unread: Literal["late", "drop"] = "late",
        queue_depth: int = 30,
    ) -> None:
        self._channels = channels
        self._first_probe = first_probe
        self.cut_block_to: int | None = None
        self.acquirer = Acquirer(clock, inputs, geometry, Front.fresh(channels, first_probe), dict(probes or {}), seed)
        super().__init__(clock, identity, unread=unread, queue_depth=queue_depth)
        self.defaults()

    @property
    def error(self) -> float:
        """-1 to +1: the part of what its data sheet allows that a calibration would find."""
        return self.acquirer.error

    @error.setter
    def error(self, part: float) -> None:
        self.acquirer.error = part

    @property
    def front(self) -> Front:
        return self.acquirer.front

    @property
    def geometry(self) -> Geometry:
        return self.acquirer.geometry

    def defaults(self) -> None:
        self._completion_asked = False
        self.acquirer.stop(self.time)
        self.acquirer.front = Front.fresh(self._channels, self._first_probe)
        self.acquirer.record = None
        self.acquirer.run(self.time)
        self.reset_transfer()

    def reset_transfer(self) -> None:
        """Defaults of the settings that only say how waveforms are sent."""

    def operations(self) -> tuple[PendingOperation, ...]:
        return (self.acquirer.operation,) if self.acquirer.operation else ()

    def channel(self, call: Call) -> FrontChannel:
        return self.front.channels[call.channel]

    def _front(self, call: Call) -> Front:
        return self.front

    def record(self) -> ScopeRecord | None:
        """The acquisition that is shown now."""
        return self.acquirer.latest(self.time)

    def record_of(self, channel: int) -> ScopeRecord:
        """The acquisition, if it holds `channel`. Raises ScpiError -230 before the first, -221 for a hidden one."""
        record = self.record()
        if record is None:
            raise ScpiError(-230)
        if channel not in record.inputs:
            raise ScpiError(-221, f"CHANnel{channel} is off")
        return record

    def cut(self, codes: Codes) -> Codes:
        """`codes`, or the few a fault leaves of them."""
        most, self.cut_block_to = self.cut_block_to, None
        return codes if most is None else codes[:most]

    def channel_number(self, text: str, word: str = "CHAN") -> int:
        """The channel in `CHAN2` or `CHANNEL2`. Raises ScpiError -224."""
        name = text.upper().replace("CHANNEL", "CHAN")
        digits = name.removeprefix(word)
        if not name.startswith(word) or not digits.isdecimal() or not 1 <= int(digits[:3]) <= self._channels:
            raise ScpiError(-224)
        return int(digits[:3])

    def state(self) -> str:
        """STOP, WAIT (armed), TD (triggered), AUTO (running without a trigger)."""
        record = self.record()
        if self.acquirer.waiting:
            return "WAIT"
        if not self.acquirer.running:
            return "STOP"
        if record is not None and record.triggered:
            return "TD"
        return "AUTO" if self.front.sweep == "AUTO" else "WAIT"


def volts_of(record: ScopeRecord, channel: int, codes: Codes) -> NDArray[np.float64]:
    """Volts as the scope itself works them out for its screen and its own measurements."""
    setting = record.inputs[channel].channel
    g = record.geometry
    return (codes.astype(np.float64) - g.middle) * (setting.scale / g.per_division) + setting.centre
