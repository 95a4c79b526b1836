"""A serial port behind a network server that speaks RFC 2217, which sets the line too: rfc2217://HOST:PORT?baud=2400.

pyserial's client has no descriptor to wait on, so this link has a reader of its own. A change of its time-outs after
opening renegotiates the whole line, so they are set once.
"""

from __future__ import annotations

import contextlib
import warnings
from typing import Any

from ..clock import Clock
from ..errors import LinkError, LinkLost
from .addresses import Rfc2217Address
from .base import LineSettings, Link
from .ports import cannot_open

_LOOK = 0.02  # seconds that a read waits at a time


def open_rfc2217(address: Rfc2217Address, clock: Clock, line: LineSettings) -> Link:
    """Connect and set the line. Raises LinkError."""
    line = address.line(line)
    try:
        from serial import rfc2217
    except ImportError as error:
        raise LinkError(
            f"{address.text}: pyserial is missing.", address=address.text, next_step="Install it: pip install pyserial"
        ) from error
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # pyserial 3.5 starts its thread in an older way
            port = rfc2217.Serial(
                f"rfc2217://{address.host}:{address.port}",
                baudrate=line.baud,
                bytesize=line.data_bits,
                parity=line.parity,
                stopbits=line.stop_bits,
                timeout=_LOOK,
                xonxoff=line.flow == "xonxoff",
                rtscts=line.flow == "rtscts",
            )
        if line.dtr is not None:
            port.dtr = line.dtr
        if line.rts is not None:
            port.rts = line.rts
        port.reset_input_buffer()
    except Exception as error:  # SerialException, OSError, ValueError
        raise cannot_open(address.text, error) from error
    return _Rfc2217Link(address.text, clock, port)


class _Rfc2217Link:
    def __init__(self, address: str, clock: Clock, port: Any) -> None:
        self._address = address
        self._clock = clock
        self._port = port
        self._gone = ""

    @property
    def address(self) -> str:
        return self._address

    def write(self, data: bytes) -> None:
        self._do(lambda: self._port.write(data))

    def read(self, deadline: float) -> bytes:
        while True:
            found: bytes = self._do(lambda: self._port.read(max(1, self._port.in_waiting)))
            if found:
                more: bytes = self._do(lambda: self._port.read(self._port.in_waiting))
                return found + more
            if self._clock.now() >= deadline:
                return b""

    def close(self) -> None:
        self._gone = self._gone or "closed"
        with contextlib.suppress(Exception):  # a port that is gone may raise anything
            self._port.close()

    def _do(self, work: Any) -> Any:
        if not self._gone:
            try:
                return work()
            except Exception as error:  # SerialException, OSError, and what pyserial stumbles on after a loss
                self._gone = str(error) or type(error).__name__
        raise LinkLost(
            f"{self._address}: the link is lost ({self._gone}).",
            address=self._address,
            next_step="Check the server of this port, its cable and power.",
        )
