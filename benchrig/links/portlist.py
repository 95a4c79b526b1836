"""The serial ports of this machine, each by a name that lasts; and meter cables that have no serial port.

/dev/ttyUSB0 is whoever was plugged in first. A name under by-id stays with the adapter, unless two are alike (many
cheap ones carry no serial number): the system then gives the name to one of them only, so both are named by the socket
they are plugged into, under by-path.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

_PASSING = re.compile(r"/dev/tty(USB|ACM)\d+")
# Chips of meter cables that speak HID instead of a serial port, vid:pid, as published decoders list them.
_HID_CABLES = frozenset({"1a86:e008", "04fa:2490", "10c4:ea80"})
_HID_ID = re.compile(r"^HID_ID=[0-9A-F]+:0*([0-9A-F]{4}):0*([0-9A-F]{4})$", re.MULTILINE | re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class PortFound:
    """A serial port of this machine. `usb` is "vid:pid" in hex, "" where it is no USB adapter; `lasting` its name that
    stays, "" where it has none.
    """

    device: str
    usb: str = ""
    usb_serial: str = ""
    description: str = ""
    lasting: str = ""


def serial_ports() -> list[PortFound]:
    """The serial ports of this machine, USB adapters first."""
    from serial.tools.list_ports import comports

    found = [
        PortFound(
            port.device,
            f"{port.vid:04x}:{port.pid:04x}" if port.vid is not None else "",
            port.serial_number or "",
            port.description if port.description != "n/a" else "",
        )
        for port in comports()
    ]
    return sorted(named(found), key=lambda port: (not port.usb, port.device))


def named(found: Sequence[PortFound], folder: str = "/dev/serial") -> list[PortFound]:
    """The same ports with their lasting names, from the links in `folder`."""
    by_id, by_path = _links(f"{folder}/by-id"), _links(f"{folder}/by-path")
    alike = Counter((port.usb, port.usb_serial) for port in found)

    def lasting(port: PortFound) -> str:
        where = os.path.realpath(port.device)
        alone = alike[port.usb, port.usb_serial] == 1
        return (by_id.get(where, "") if alone else "") or by_path.get(where, "")

    return [replace(port, lasting=lasting(port)) for port in found]


def _links(folder: str) -> Mapping[str, str]:
    """Device path to the link that leads there."""
    if not os.path.isdir(folder):
        return {}
    return {
        os.path.realpath(path): path for path in (os.path.join(folder, name) for name in sorted(os.listdir(folder)))
    }


def passing(device: str) -> bool:
    """True for a name that another adapter can have tomorrow."""
    return bool(_PASSING.fullmatch(device))


def hid_cables(folder: str = "/sys/class/hidraw") -> list[str]:
    """Meter cables without a serial port, as "/dev/hidraw0 1a86:e008"."""
    seen = [(entry.name, _hid_id(entry)) for entry in sorted(Path(folder).glob("hidraw*"))]
    return [f"/dev/{name} {usb}" for name, usb in seen if usb in _HID_CABLES]


def _hid_id(entry: Path) -> str:
    try:
        match = _HID_ID.search((entry / "device" / "uevent").read_text(encoding="utf-8", errors="replace"))
    except OSError:  # unplugged meanwhile
        return ""
    return f"{match[1]}:{match[2]}".lower() if match else ""
