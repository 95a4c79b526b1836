"""What the SCPI drivers share: checked settings, remote and local, a reboot noticed.

- A setting is followed by a look at the error queue; an instrument that complained is an InstrumentError with the text
  it gave, never a setting believed.
- `*ESR?` bit 7 (power on) tells a reboot that left the link open; it is asked together with each reading.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from benchrig.errors import InstrumentError, LinkError
from benchrig.links.scpi_port import ScpiPort

POWER_ON = 0x80
AGAIN = 3  # tries of what a second answer has to bear out
COMPLAINTS = 0x3C  # query, device, execution and command error (IEEE 488.2, 11.5.1)
# Error numbers (SCPI-99 chapter 21): a meter that wants SYSTem:REMote first; and of answers that nobody fetched, which
# a broken link or a late answer leaves behind, and which say nothing about a setting.
_IN_LOCAL = (-201, 550)  # "Invalid while in local"; the 34401A's own "Command not allowed in local"
_QUERY_ERRORS = range(-499, -399)


def on_serial(address: str) -> bool:
    """True if the address is a serial port, where many instruments start in local."""
    return address.upper().startswith(("ASRL", "SERIAL:", "RFC2217:"))


def refuse(found: Sequence[tuple[int, str]], instrument: str, doing: str) -> None:
    """Raises InstrumentError with everything an error queue held against a setting, if it held anything."""
    against = complaints(found)
    if not against:
        return
    told = "; ".join(f'{code},"{text}"' for code, text in against)
    cure = "Check that this model has the setting, and that the value is in its range."
    if any(code in _IN_LOCAL for code, _ in against):
        cure = 'It waits for remote control: add options = { remote = "yes" } to it in the bench file.'
    raise InstrumentError(f"{instrument} refused {doing}: {told}.", instrument=instrument, next_step=cure)


def complaints(found: Iterable[tuple[int, str]]) -> list[tuple[int, str]]:
    """What of an error queue can be about a setting."""
    return [(code, text) for code, text in found if code not in _QUERY_ERRORS]


def understood(port: ScpiPort, message: str) -> bool:
    """Send a message that this model may not know; False if it complained."""
    port.send(message)
    return not complaints(port.errors())


def send_all(port: ScpiPort, messages: Iterable[str]) -> None:
    for message in messages:
        port.send(message)


def quietly(port: ScpiPort, *messages: str) -> None:
    """Say good-bye on a link that may be gone already."""
    try:
        send_all(port, messages)
        port.errors()
    except (LinkError, InstrumentError):
        return


class Forms:
    """In which forms an instrument writes its numbers: signs, point, number of digits, exponent.

    A byte that is lost on the way leaves a number that reads well and is wrong, in a form that was not there before. So
    a form counts from its second time on. A byte that is changed into another digit cannot be noticed by anybody.
    """

    def __init__(self) -> None:
        self._known: set[str] = set()
        self._last = ""
        self.asks_again = False

    def known(self, text: str, *, grows: bool = False) -> bool:
        """True for an answer in a form that was seen before; one that was not waits for its second time.

        `grows`: the instrument writes 9.99 and 10.00, -0.01 and 0.01, each with no exponent: what stands before the
        point is then no part of the form.
        """
        form = re.sub(r"\d", "0", text.strip())
        if grows and not re.search("[Ee]", form):
            form = form.removeprefix("-")
            form = re.sub(r"^0+", "0", form)
        if form == self._last:
            self._known.add(form)
        self._last = form
        self.asks_again = form not in self._known
        return not self.asks_again


def number_text(value: float) -> str:
    """A plain number without a unit, which every SCPI parser takes: 0.5, 1E-06, 2000000."""
    return f"{value:.10G}"
