"""VISA addresses, opened through pyvisa with the pyvisa-py backend.

pyvisa opens, sets up and closes the resource. Reading and writing go to the socket or serial port that the
pyvisa-py session holds (its `interface`), because its own `read` (version 0.8.1)
- takes end of stream for silence, and spins until the timeout instead of saying that the far end is gone;
- takes one byte a call from a serial port;
- reports a refused connection only at the first write.

One resource manager for the process: pyvisa-py hands out the same one again, and closing it closes every session.
"""

from __future__ import annotations

import socket
import threading
from typing import Any

from ..clock import Clock
from ..errors import LinkError
from .addresses import SocketAddress, VisaSerialAddress
from .base import LineSettings, Link
from .ports import cannot_open, claim
from .streams import SerialLink, SocketLink

OPEN_TIMEOUT = 3.0  # seconds; a bench instrument on the same network answers in milliseconds

_lock = threading.Lock()
_manager: Any = None


def resource_manager() -> Any:
    """The process's one pyvisa resource manager. Raises LinkError where pyvisa or pyvisa-py is missing."""
    global _manager
    with _lock:
        if _manager is None:
            try:
                import pyvisa

                _manager = pyvisa.ResourceManager("@py")
            except (ImportError, ValueError, OSError) as error:
                raise LinkError(
                    f"VISA cannot be used: {error}.", doing="open", next_step="Install it: pip install pyvisa pyvisa-py"
                ) from error
        return _manager


def open_socket(address: SocketAddress, clock: Clock, timeout: float = OPEN_TIMEOUT) -> Link:
    """Connect, and make sure of it. Raises LinkError."""
    try:
        socket.getaddrinfo(address.host, address.port, socket.AF_INET, socket.SOCK_STREAM)
    except OSError as error:  # told before pyvisa-py, which would leave its socket open
        raise cannot_open(address.text, error) from error
    resource = _open(address, timeout)
    sock: socket.socket = _interface(resource)
    try:
        code = sock.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if code:
            raise OSError(code, "")
        sock.getpeername()
        return SocketLink(address.text, clock, sock, resource.close)
    except OSError as refusal:
        resource.close()
        raise cannot_open(address.text, refusal) from refusal


def open_serial(address: VisaSerialAddress, clock: Clock, line: LineSettings) -> Link:
    """Open and set a serial line for ourselves alone. Raises LinkError."""
    resource = _open(address, OPEN_TIMEOUT)
    port = _interface(resource)
    try:
        claim(port, line)
        return SerialLink(address.text, clock, port, resource.close)
    except Exception as error:  # pyserial raises SerialException, OSError, ValueError and termios.error
        resource.close()
        raise cannot_open(address.text, error, address.port) from error


def _open(address: SocketAddress | VisaSerialAddress, timeout: float) -> Any:
    try:
        return resource_manager().open_resource(address.resource, open_timeout=round(timeout * 1000))
    except LinkError:
        raise
    except Exception as error:  # pyvisa-py raises plain Exception where a host is unknown or does not answer
        raise cannot_open(address.text, error, getattr(address, "port", "")) from error


def _interface(resource: Any) -> Any:
    return resource.visalib.sessions[resource.session].interface
