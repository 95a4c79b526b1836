"""The transports that carry whole messages: one line each, and one module that is imported when it is needed.

A transport's module has a class that is built as (address, clock, host, port, device) and is a `MessageLink`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from importlib import import_module

from ..clock import Clock
from ..errors import FileError
from .base import Link
from .message import MessageBytes, MessageLink


@dataclass(frozen=True, slots=True)
class Transport:
    """One way to carry messages. `pattern` has the groups host, port and device; `missing` what stands for the last."""

    kind: str
    form: str
    pattern: re.Pattern[str]
    module: str
    opens: str
    port: int = 0
    missing: str = ""

    def parse(self, text: str) -> MessageAddress | None:
        """The address, if it has this form. Raises FileError for a port that is none."""
        match = self.pattern.fullmatch(text)
        if not match:
            return None
        port = int(match["port"] or self.port)
        if match["port"] and not 0 < port < 65536:
            raise FileError(f"{text!r}: {port} is not a port number.", next_step="Use 1 to 65535.")
        return MessageAddress(text, self, match["host"], port, (match["device"] or self.missing).lower())


@dataclass(frozen=True, slots=True)
class MessageAddress:
    """An instrument behind a message transport. `port` 0: the transport finds it."""

    text: str
    transport: Transport
    host: str
    port: int
    device: str

    @property
    def place(self) -> tuple[str, str]:
        """Where it leads, whatever its spelling."""
        host = self.host.lower()
        host = "127.0.0.1" if host == "localhost" else host
        return self.transport.kind, f"{host}:{self.port}/{self.device}"

    def open(self, clock: Clock) -> Link:
        """Connect. Raises LinkError."""
        opens = getattr(import_module(f"{__package__}.{self.transport.module}"), self.transport.opens)
        link: MessageLink = opens(self.text, clock, self.host, self.port, self.device)
        return MessageBytes(self.text, clock, link)


def _visa(device: str) -> re.Pattern[str]:
    return re.compile(rf"TCPIP\d*::(?P<host>[^:,\s\[\]]+){device}(?:::INSTR)", re.IGNORECASE)


TRANSPORTS = (
    Transport(
        "vxi11", "TCPIP::HOST::inst0::INSTR",
        _visa(r"(?:,(?P<port>\d{1,5}))?(?:::(?P<device>inst\d+|gpib\d+,\d+(?:,\d+)?))?"),
        "vxi11", "Vxi11Link", 0, "inst0",
    ),
    Transport(
        "hislip", "TCPIP::HOST::hislip0::INSTR",
        _visa(r"::(?P<device>hislip\d+)(?:,(?P<port>\d{1,5}))?"), "hislip", "HislipLink", 4880,
    ),
    Transport(
        "plusplus", "gpib+tcp://HOST:PORT/22",
        re.compile(r"gpib\+tcp://(?P<host>[^:/\s]+)(?::(?P<port>\d{1,5}))?/(?P<device>\d{1,2})", re.IGNORECASE),
        "plusplus", "PlusPlusLink", 1234,
    ),
    Transport(
        "plusplus", "gpib+serial:///dev/ttyUSB0/22",
        re.compile(r"gpib\+serial://(?P<host>/\S+)(?P<port>)/(?P<device>\d{1,2})"), "plusplus", "PlusPlusLink",
    ),
)  # fmt: skip
