"""What an address of no known form was probably meant to be, in a sentence for whoever wrote it.

Nothing is opened and nothing is mended here: an address is used as it is written, or refused.
"""

from __future__ import annotations

import re

_RAW = "Use the instrument's raw socket, TCPIP::{0}::5025::SOCKET (5555 and 4000 are usual too)."
_PATH = "Name the port by its path, like serial:///dev/ttyUSB0."

# First match wins; {0} is what the pattern's group holds.
_MEANT = (
    (r"\s.*|.*\s", "Leave out the blanks."),
    (
        r"(?:TCPIP\d*::)?(?:\[|::1|(?:fe80|fd[0-9a-f]{2}|2[0-9a-f]{3}):).*",
        "IPv6 is not spoken here: give the instrument's IPv4 address, or a name that has one.",
    ),
    (
        r"(?:USB|GPIB|PXI|VXI)\d*::.*",
        "USB-TMC and GPIB are not spoken here: use the instrument's LAN socket or its serial port.",
    ),
    (
        r"TCPIP\d*::([^:]+)(?:::[^:]+)?::INSTR",
        f"This is no name that VXI-11 has: write TCPIP::{{0}}::inst0::INSTR. Or: {_RAW}",
    ),
    (r"TCPIP\d*::([^:]+::\d+)", "Write TCPIP::{0}::SOCKET."),
    (r"TCPIP\d*::([^:]+)(?:::SOCKET)?", f"The port is missing. {_RAW}"),
    (r"rfc2217:/*([^:/?]+).*", "The port is missing. Write rfc2217://{0}:2217."),
    (r"(?:\w+://)?([^:/]+):(\d{1,5})", "Write TCPIP::{0}::{1}::SOCKET."),
    (r"(\d+(?:\.\d+){3})", _RAW),
    (r".*/hid.*", "A cable that is a HID device has no serial port, and is not spoken to: use a cable that has one."),
    (r"(?:serial:)?/*dev/(.+)|serial:/*(tty.+)", "Write serial:///dev/{0}."),
    (r"(?:serial:|ASRL|COM).*", _PATH),
)


def probably_meant(text: str) -> str:
    """What to write instead of `text`; "" where nothing comes to mind."""
    for pattern, words in _MEANT:
        if match := re.fullmatch(pattern, text, re.IGNORECASE):
            return words.format(*(group for group in match.groups() if group))
    return ""
