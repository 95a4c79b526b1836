"""The forms an instrument's address may have, told apart without opening anything.

TCPIP::192.168.1.20::5025::SOCKET      SCPI over the network, through pyvisa; or a serial port that a server gives raw
ASRL/dev/ttyS0::INSTR                  SCPI over a serial line, through pyvisa
serial:///dev/ttyUSB0?baud=2400&dtr=1&rts=0   a meter that talks by itself, through pyserial
TCPIP::192.168.1.20::inst0::INSTR      VXI-11; with gpib0,22 in place of inst0 GPIB behind a VXI-11 gateway
TCPIP::192.168.1.20::hislip0::INSTR    HiSLIP
gpib+tcp://192.168.1.20:1234/22        GPIB behind an adapter with ++ commands; gpib+serial:///dev/ttyUSB0/22 too
rfc2217://192.168.1.20:2217?baud=2400  a serial port behind a network server that sets the line
http://192.168.1.30:8080/video         a camera that serves moving pictures
sim://meter                            a simulated instrument in this process

Letter case of the words does not matter, and VISA lets `::INSTR` be left out. What is written another way is refused,
with what it was probably meant to be.
"""

from __future__ import annotations

import os
import re
import socket
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from ipaddress import ip_address
from urllib.parse import parse_qsl

from ..errors import FileError
from .base import LineSettings
from .mistyped import probably_meant
from .transports import TRANSPORTS, MessageAddress

FORMS = (
    "TCPIP::HOST::PORT::SOCKET",
    "ASRL/dev/ttyS0::INSTR",
    "serial:///dev/ttyUSB0?baud=2400&dtr=1&rts=0",
    *(transport.form for transport in TRANSPORTS),
    "rfc2217://HOST:PORT?baud=2400",
    "http://HOST:PORT/PATH",
    "sim://NAME",
)
_SOCKET = re.compile(r"TCPIP\d*::([^:\s]+)::(\d{1,5})::SOCKET", re.IGNORECASE)
_VISA_SERIAL = re.compile(r"ASRL(/\S+?)(?:::INSTR)?", re.IGNORECASE)
_SERIAL = re.compile(r"serial://(/[^?\s]+)(?:\?(\S*))?")
_RFC2217 = re.compile(r"rfc2217://([^:/?\s]+):(\d{1,5})(?:\?(\S*))?", re.IGNORECASE)
_HTTP = re.compile(r"http://([^:/\s]+)(?::(\d{1,5}))?(/\S*)?")
_SIM = re.compile(r"sim://([A-Za-z0-9_-]+)")


@dataclass(frozen=True, slots=True)
class SocketAddress:
    """A raw socket, opened through pyvisa: an instrument's own, or a camera's web server."""

    text: str
    host: str
    port: int

    @property
    def resource(self) -> str:
        """As pyvisa takes it, which is strict about letter case."""
        return f"TCPIP::{self.host}::{self.port}::SOCKET"


@dataclass(frozen=True, slots=True)
class VisaSerialAddress:
    """A serial line, opened through pyvisa."""

    text: str
    port: str

    @property
    def resource(self) -> str:
        """As pyvisa takes it, which is strict about letter case."""
        return f"ASRL{self.port}::INSTR"


@dataclass(frozen=True, slots=True)
class SerialAddress:
    """A serial line, opened through pyserial. `settings` are those of the address only."""

    text: str
    port: str
    settings: tuple[tuple[str, str], ...] = ()

    def line(self, usual: LineSettings) -> LineSettings:
        """What the driver finds usual, with what the address says instead."""
        for name, text in self.settings:
            usual = _SETTERS[name](usual, text)
        return usual


@dataclass(frozen=True, slots=True)
class Rfc2217Address:
    """A serial port behind a network server. `settings` are those of the address only."""

    text: str
    host: str
    port: int
    settings: tuple[tuple[str, str], ...] = ()

    def line(self, usual: LineSettings) -> LineSettings:
        """What the driver finds usual, with what the address says instead."""
        return SerialAddress(self.text, "", self.settings).line(usual)


@dataclass(frozen=True, slots=True)
class SimAddress:
    """A simulated instrument in this process."""

    text: str
    name: str


Address = SocketAddress | VisaSerialAddress | SerialAddress | SimAddress | MessageAddress | Rfc2217Address


def parse_address(text: str) -> Address:
    """Tell the form of `text`. Raises FileError that lists the forms, or says what is wrong inside one."""
    if match := _SOCKET.fullmatch(text):
        return _socket(text, match[1], int(match[2]))
    if match := _VISA_SERIAL.fullmatch(text):
        return VisaSerialAddress(text, match[1])
    if match := _SERIAL.fullmatch(text):
        address = SerialAddress(text, match[1], tuple(parse_qsl(match[2] or "", keep_blank_values=True)))
        _check_settings(address)
        return address
    if match := _HTTP.fullmatch(text):
        return _socket(text, match[1], int(match[2] or 80))
    if match := _SIM.fullmatch(text):
        return SimAddress(text, match[1])
    if match := _RFC2217.fullmatch(text):
        settings = tuple(parse_qsl(match[3] or "", keep_blank_values=True))
        _check_settings(SerialAddress(text, "", settings))
        checked = _socket(text, match[1], int(match[2]))
        return Rfc2217Address(text, checked.host, checked.port, settings)
    for transport in TRANSPORTS:
        if found := transport.parse(text):
            return found
    forms = f"Known forms: {'  '.join(FORMS)}"
    meant = probably_meant(text)
    raise FileError(f"{text!r} is not an address of a known form.", next_step=f"{meant} {forms}" if meant else forms)


def place_of(address: Address) -> tuple[str, str]:
    """Where an address leads, whatever its spelling: two with the same place are of one instrument."""
    match address:
        case SocketAddress() | Rfc2217Address():
            host = address.host.lower()
            return "tcp", f"{'127.0.0.1' if host == 'localhost' else host}:{address.port}"
        case SerialAddress() | VisaSerialAddress():
            return "port", os.path.realpath(address.port)
        case MessageAddress():
            return address.place
        case SimAddress():
            return "sim", address.name


def hosts_of(address: Address, within: float = 2.0) -> frozenset[str]:
    """Network addresses that a socket's host stands for, once its name is looked up; empty where it is no socket.

    A name that is not answered for in `within` seconds stands for itself.
    """
    if not isinstance(address, SocketAddress | MessageAddress):
        return frozenset()
    host = address.host.lower()
    with suppress(ValueError):
        return frozenset({str(ip_address(host))})
    looking = ThreadPoolExecutor(max_workers=1)
    try:
        found = looking.submit(socket.getaddrinfo, host, None, type=socket.SOCK_STREAM).result(within)
        return frozenset(str(it[4][0]) for it in found)
    except (OSError, UnicodeError, TimeoutError):
        return frozenset({host})
    finally:
        looking.shutdown(wait=False, cancel_futures=True)


def _socket(text: str, host: str, port: int) -> SocketAddress:
    if not 0 < port < 65536:
        raise FileError(f"{text!r}: {port} is not a port number.", next_step="Use 1 to 65535; 5025 is the usual one.")
    return SocketAddress(text, host, port)


def _check_settings(address: SerialAddress) -> None:
    for name, _ in address.settings:
        if name not in _SETTERS:
            raise FileError(
                f"{address.text!r}: {name!r} is not a serial setting.", next_step=f"Known: {', '.join(_SETTERS)}."
            )
    address.line(LineSettings())


def _baud(line: LineSettings, text: str) -> LineSettings:
    if not text.isdigit() or not 50 <= int(text) <= 4_000_000:
        raise FileError(f"{text!r} is not a baud rate.", next_step="Like baud=2400.")
    return replace(line, baud=int(text))


def _data(line: LineSettings, text: str) -> LineSettings:
    return replace(line, data_bits=int(_among("data", text, ("5", "6", "7", "8"))))


def _parity(line: LineSettings, text: str) -> LineSettings:
    return replace(line, parity=_among("parity", text.upper(), ("N", "E", "O")))


def _stop(line: LineSettings, text: str) -> LineSettings:
    return replace(line, stop_bits=float(_among("stop", text, ("1", "1.5", "2"))))


def _dtr(line: LineSettings, text: str) -> LineSettings:
    return replace(line, dtr=_among("dtr", text, ("0", "1")) == "1")


def _rts(line: LineSettings, text: str) -> LineSettings:
    return replace(line, rts=_among("rts", text, ("0", "1")) == "1")


def _flow(line: LineSettings, text: str) -> LineSettings:
    return replace(line, flow=_among("flow", text, ("none", "xonxoff", "rtscts", "dsrdtr")))


def _among(name: str, text: str, choices: tuple[str, ...]) -> str:
    if text not in choices:
        raise FileError(f"{name}={text!r} is not a serial setting.", next_step=f"Use one of {', '.join(choices)}.")
    return text


_SETTERS = {
    "baud": _baud, "data": _data, "parity": _parity, "stop": _stop, "dtr": _dtr, "rts": _rts, "flow": _flow,
}  # fmt: skip
