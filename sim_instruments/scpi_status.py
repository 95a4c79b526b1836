"""The status registers of IEEE 488.2 chapter 11 and SCPI-1999 volume 1, chapter 9.

Rules kept: reading an event register clears it, reading a condition or an enable register does not; `*CLS` clears
events, never masks; bit 6 of the service request mask is ignored; the summary bits of `*STB?` are computed when asked.
"""

from __future__ import annotations

OPERATION_COMPLETE, QUERY_ERROR, POWER_ON = 0x01, 0x04, 0x80


class Register:
    """One condition, event, enable triple with its transition filters; 15 bits."""

    def __init__(self) -> None:
        self.condition = 0
        self.event = 0
        self.enable: float = 0  # masks come from a host as numbers, already whole
        self.rising: float = 0x7FFF
        self.falling: float = 0

    def set_condition(self, condition: int) -> None:
        up, down = condition & ~self.condition, self.condition & ~condition
        self.event |= (up & int(self.rising)) | (down & int(self.falling))
        self.condition = condition

    def read_event(self) -> int:
        event, self.event = self.event, 0
        return event

    def preset(self) -> None:
        """STATus:PRESet (SCPI-1999 volume 2, section 20.7)."""
        self.enable, self.rising, self.falling = 0, 0x7FFF, 0

    @property
    def summary(self) -> bool:
        return bool(self.event & int(self.enable))


class StatusRegisters:
    """Standard event register, service request mask, and the two SCPI registers."""

    def __init__(self) -> None:
        self.standard_event = POWER_ON
        self.standard_enable = 0
        self.service_enable = 0
        self.operation = Register()
        self.questionable = Register()

    def read_standard_event(self) -> int:
        event, self.standard_event = self.standard_event, 0
        return event

    def clear(self) -> None:
        self.standard_event = self.operation.event = self.questionable.event = 0

    def byte(self, *, message_available: bool, errors_waiting: bool) -> int:
        """The status byte with bit 6 as master summary."""
        value = (
            0x80 * self.operation.summary
            | 0x20 * bool(self.standard_event & self.standard_enable)
            | 0x10 * message_available
            | 0x08 * self.questionable.summary
            | 0x04 * errors_waiting
        )
        return value | 0x40 * bool(value & self.service_enable)
