"""Serial ports through pyserial, and the words for a port or socket that cannot be opened.

pyserial has had no release since 2020: only this file and `portlist` know it.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
from dataclasses import replace
from typing import Any

from ..clock import Clock
from ..errors import LinkError
from .addresses import SerialAddress
from .base import LineSettings, Link
from .streams import SerialLink

_NO_LINES = (errno.ENOTTY, errno.EINVAL)  # pseudo-terminals have no DTR and RTS
# A pseudo-terminal always has 8 bits and no parity, and the C library calls it an error where nothing else was asked.
_TERMINALS = "/dev/pts/"
_VISA_TIMEOUT = "-1073807339"  # VI_ERROR_TMO (VPP-4.3), which pyvisa-py tells by its number alone
_ERRNO = re.compile(r"\[Errno (\d+)\]|\((\d+), '")  # as OSError and as termios.error write it


def open_port(address: SerialAddress, clock: Clock, line: LineSettings) -> Link:
    """Open a port for ourselves alone, its lines set before and after. Raises LinkError."""
    settings = address.line(line)
    try:
        import serial
    except ImportError as error:
        raise LinkError(
            f"{address.text}: pyserial is missing.", address=address.text, next_step="Install it: pip install pyserial"
        ) from error
    port = serial.Serial()
    port.port = address.port
    port.exclusive = True
    _set_before_opening(port, settings)
    try:
        port.open()
        _set_lines(port, settings)
        return SerialLink(address.text, clock, port, port.close)
    except Exception as error:  # SerialException, OSError, ValueError, termios.error
        port.close()
        raise cannot_open(address.text, error, address.port) from error


def _set_before_opening(port: Any, line: LineSettings) -> None:
    """Setting a line of a closed port makes pyserial raise or drop it in the act of opening."""
    _set_frame(port, line)
    if line.dtr is not None:
        port.dtr = line.dtr
    if line.rts is not None:
        port.rts = line.rts


def claim(port: Any, line: LineSettings) -> None:
    """Take an open pyserial port for ourselves alone, and set it."""
    port.exclusive = True
    _set_frame(port, line)
    _set_lines(port, line)


def _set_frame(port: Any, line: LineSettings) -> None:
    if os.path.realpath(str(port.port)).startswith(_TERMINALS):
        line = replace(line, data_bits=8, parity="N")
    port.baudrate = line.baud
    port.bytesize = line.data_bits
    port.parity = line.parity
    port.stopbits = line.stop_bits
    port.xonxoff = line.flow == "xonxoff"
    port.rtscts = line.flow == "rtscts"
    port.dsrdtr = line.flow == "dsrdtr"


def _set_lines(port: Any, line: LineSettings) -> None:
    try:
        if line.dtr is not None:
            port.dtr = line.dtr
        if line.rts is not None:
            port.rts = line.rts
    except OSError as error:
        if error.errno not in _NO_LINES:
            raise


def cannot_open(address: str, error: BaseException, port: str = "") -> LinkError:
    """A LinkError that names the cure. `port`: the path of a serial port, whose group is looked up."""
    code = _code(error)
    what, cure = _words(code, str(error))
    if code == errno.EACCES:
        cure = _join_group(port) or cure
    return LinkError(f"{address}: {what}", address=address, doing="open", next_step=cure)


def _join_group(port: str) -> str:
    """How to get into the group that may use `port`; "" where only its owner may."""
    with contextlib.suppress(ImportError, OSError, KeyError):  # not POSIX; the folder is closed too; no such group
        from grp import getgrgid

        found = os.stat(port)
        if found.st_gid and found.st_mode & 0o060 == 0o060:
            name = getgrgid(found.st_gid).gr_name
            return f"Join the port's group: sudo usermod -aG {name} $USER, then log out and in again."
    return ""


def _code(error: BaseException) -> int:
    """The system's error number; pyserial keeps it, pyvisa-py leaves it in the text only."""
    number = getattr(error, "errno", None)
    match = _ERRNO.search(str(error))
    return number if isinstance(number, int) else int(match[1] or match[2]) if match else 0


def _words(code: int, text: str) -> tuple[str, str]:
    if code in _WORDS:
        return _WORDS[code]
    low = text.lower()
    if "lock" in low:
        return _WORDS[errno.EBUSY]
    if "timeout" in low or "tmo" in low or _VISA_TIMEOUT in low:
        return _WORDS[errno.ETIMEDOUT]
    if "resolution" in low or "name or service" in low or "nodename" in low:
        return "this host name is not known.", "Correct the name, or use the number shown in the instrument's LAN menu."
    if "address family" in low or "no address" in low:
        return "this host has no IPv4 address.", "Use the IPv4 number shown in the instrument's LAN menu."
    return f"it cannot be opened ({text or os.strerror(code)}).", "Check cable, power and address."


_PLUG_IN = (
    "Plug the adapter in; `benchrig find` shows the ports there are, with names that stay when it is plugged in again."
)
_REACH = "Check that the instrument is on, on this network, and that the address is right."
_WORDS = {
    errno.EACCES: (
        "you may not open this port.",
        "Join the port's group (often: sudo usermod -aG dialout $USER), then log out and in again.",
    ),
    errno.EPERM: ("you may not open this port.", "Ask whoever looks after this machine for the right to use it."),
    errno.ENOENT: ("there is no such port.", _PLUG_IN),
    errno.ENODEV: ("there is no such device.", _PLUG_IN),
    errno.ENXIO: ("there is no such device.", _PLUG_IN),
    errno.EIO: ("nobody is at the other end of this port.", "Check the cable, or start what serves it."),
    errno.ENOTTY: ("this is not a serial port.", "Correct the address; `benchrig find` shows the ports there are."),
    errno.EINVAL: (
        "this port does not take its line settings.",
        "Correct baud, data and parity; some adapters have no 7 data bits, or not this speed: use another one.",
    ),
    errno.EISDIR: ("this is a folder, not a port.", "Correct the address; `benchrig find` shows the ports there are."),
    errno.EBUSY: ("another program holds this port.", "Close the other program, then try again."),
    errno.EAGAIN: ("another program holds this port.", "Close the other program, then try again."),
    errno.ECONNREFUSED: (
        "the host is there, but nothing listens at this port.",
        "Check the port number (often 5025) and that the instrument's remote socket is switched on. "
        "Some instruments keep a dead connection for a while: wait, or switch it off and on.",
    ),
    errno.ETIMEDOUT: ("no answer to the connection.", _REACH),
    errno.EHOSTUNREACH: ("the host cannot be reached.", _REACH),
    errno.ENETUNREACH: ("its network cannot be reached.", _REACH),
    errno.ENETDOWN: ("its network is down.", _REACH),
}
