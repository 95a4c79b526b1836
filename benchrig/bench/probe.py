"""One place looked at: does it open, who speaks or answers there, and which drivers take that.

Rules of this module:
1. Only questions that change nothing: on a serial line what comes unasked is listened to first; then `*IDN?`; last, on
   one where nobody knew that, what the driver of a nameless meter asks to identify it. No setting is sent.
2. What could not be opened is a finding too: the reason and the cure stand in it.
3. A meter that talks by itself is recognised only by whole frames that its driver can read, at least two of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from typing import Any, Literal

from ..clock import Clock
from ..errors import BenchrigError, FrameError, InstrumentError, LinkTimeout
from ..instruments import Identity, driver_names, load_driver
from ..links import LineSettings, Link, open_link
from ..links.addresses import SocketAddress, parse_address
from ..links.transports import MessageAddress
from ..wire import answers

State = Literal["answers", "wrong", "silent", "closed"]

LISTEN = 1.3  # s; the slowest of the talking meters sends two frames a second
ASK = 0.8  # s for the answer to *IDN?
_FRAMES = 2
_MOST = 4096  # bytes of one answer


@dataclass(frozen=True, slots=True)
class Place:
    """Somewhere to look. `driver` and `name` where a bench file gives them."""

    address: str
    note: str = ""
    name: str = ""
    driver: str = ""


@dataclass(frozen=True, slots=True)
class PlaceFinding:
    """What one look gave.

    state     "answers"; "wrong": what answered is another, or in trouble; "silent": open, but nobody spoke; "closed":
              could not be opened
    drivers   those that take what answered; none where the instrument is unknown to them
    words     what is wrong, and `cure` what to do about it
    """

    place: Place
    state: State
    identity: Identity | None = None
    drivers: tuple[str, ...] = ()
    words: str = ""
    cure: str = ""


Opener = Callable[[str, Clock, LineSettings], Link]


def trouble(place: Place, error: BenchrigError, drivers: tuple[str, ...] = ()) -> PlaceFinding:
    """What went wrong, as a finding."""
    state: State = "closed"
    if isinstance(error, LinkTimeout | FrameError):
        state = "silent"
    elif isinstance(error, InstrumentError):
        state = "wrong"
    return PlaceFinding(
        place, state, drivers=drivers, words=error.message.removeprefix(f"{place.address}: "), cure=error.next_step
    )


def probe(place: Place, clock: Clock, opener: Opener = open_link) -> PlaceFinding:
    """Look at one place. Raises nothing: whatever goes wrong is the finding."""
    try:
        if isinstance(parse_address(place.address), SocketAddress | MessageAddress):
            return _network(place, clock, opener)
        return _serial(place, clock, opener)
    except BenchrigError as error:
        return trouble(place, error)


# Who speaks how, as the installed drivers say it themselves


def _drivers() -> list[tuple[str, Any]]:
    return [(name, load_driver(name)) for name in driver_names()]


def _talkers() -> dict[LineSettings, list[tuple[str, Any]]]:
    """Drivers of meters that talk by themselves, by how their line is set."""
    return _by_line((name, driver) for name, driver in _drivers() if hasattr(driver, "GRAMMAR"))


def _askers() -> dict[LineSettings, list[tuple[str, Any]]]:
    return _by_line((name, driver) for name, driver in _drivers() if not hasattr(driver, "GRAMMAR"))


def _by_line(drivers: Iterable[tuple[str, Any]]) -> dict[LineSettings, list[tuple[str, Any]]]:
    found: dict[LineSettings, list[tuple[str, Any]]] = {}
    for name, driver in drivers:
        found.setdefault(getattr(driver, "LINE", LineSettings()), []).append((name, driver))
    return found


def drivers_for(identity: Identity) -> tuple[str, ...]:
    """Names of the drivers that say they take an instrument with this answer to `*IDN?`."""
    return tuple(name for name, driver in _drivers() if hasattr(driver, "takes") and driver.takes(identity))


# One connection, one serial line


def _network(place: Place, clock: Clock, opener: Opener) -> PlaceFinding:
    """Ask; then listen, for it may be a serial port that a server gives raw. One connection: some take no second."""
    with closing(opener(place.address, clock, LineSettings())) as link:
        ears = _Ears([talker for of_line in _talkers().values() for talker in of_line])
        found = _ask(place, link, clock, ears.feed) or _listen(place, link, clock, ears)
    return found or PlaceFinding(place, "silent", words=_MUTE, cure=_IS_IT_SCPI)


def _serial(place: Place, clock: Clock, opener: Opener) -> PlaceFinding:
    """First listen at every talker's settings, then ask at every asker's, then let the nameless say their frame."""
    for line, talkers in _talkers().items():
        with closing(opener(place.address, clock, line)) as link:
            if found := _listen(place, link, clock, _Ears(talkers)):
                return found
    for line in _askers():
        with closing(opener(place.address, clock, line)) as link:
            if found := _ask(place, link, clock):
                return found
    for line, askers in _askers().items():
        for name, driver in askers:
            if not hasattr(driver, "takes") and (found := _nameless(place, clock, opener, line, name, driver)):
                return found
    return PlaceFinding(place, "silent", words="It opens, but nobody speaks.", cure=_IS_IT_ON)


_IS_IT_ON = "Is the meter on, its serial output on, and the lead in? Some talk only after a key was held."
_IS_IT_SCPI = (
    "Is this the instrument's remote socket? One that takes a single client is silent too while another program, or a "
    "dead connection, has it."
)
_MUTE = "It opens, but nobody answers *IDN?."


class _Ears:
    """What each talker's driver makes of the same bytes."""

    def __init__(self, talkers: Sequence[tuple[str, Any]]) -> None:
        self._ears = [(name, driver.GRAMMAR.framer(), driver.GRAMMAR.decode) for name, driver in talkers]
        self._heard = {name: 0 for name, _, _ in self._ears}

    def feed(self, data: bytes) -> None:
        for name, framer, decode in self._ears:
            self._heard[name] += sum(_reads(decode, frame) for frame in framer.feed(data))

    @property
    def known(self) -> tuple[str, ...]:
        return tuple(name for name, count in self._heard.items() if count >= _FRAMES)


def _listen(place: Place, link: Link, clock: Clock, ears: _Ears) -> PlaceFinding | None:
    """The talker whose frames come, or None."""
    end = clock.now() + LISTEN
    while clock.now() < end and not ears.known:
        ears.feed(link.read(end))
    return PlaceFinding(place, "answers", Identity(model=ears.known[0]), ears.known) if ears.known else None


def _reads(decode: Callable[[bytes], Any], frame: bytes) -> bool:
    try:
        decode(frame)
    except InstrumentError:
        return False
    return True


def _ask(place: Place, link: Link, clock: Clock, hear: Callable[[bytes], None] | None = None) -> PlaceFinding | None:
    """Whoever answers `*IDN?`; None where nobody does in time. `hear` gets what came meanwhile."""
    link.write(b"*IDN?\r\n")
    identity = _first_identity(link, clock, hear or (lambda data: None))
    if identity is None:
        return None
    drivers = drivers_for(identity)
    words = "" if drivers else "No installed driver says that it knows this model."
    cure = "" if drivers else "Name a driver for it in a bench file, and try that with --try."
    return PlaceFinding(place, "answers", identity, drivers, words, cure)


def _first_identity(link: Link, clock: Clock, hear: Callable[[bytes], None]) -> Identity | None:
    """The first line that is an identity: an echo or a prompt before it is passed over."""
    end, held = clock.now() + ASK, b""
    while clock.now() < end and (data := link.read(end)):
        hear(data)
        *lines, held = (held + data)[-_MOST:].split(b"\n")
        for line in lines:
            with suppress(InstrumentError):
                return Identity(*answers.identity(line.decode("latin-1").strip()))
    return None


def _nameless(
    place: Place, clock: Clock, opener: Opener, line: LineSettings, name: str, driver: Any
) -> PlaceFinding | None:
    """A meter that answers questions but has no name: its driver knows the frame."""
    with closing(opener(place.address, clock, line)) as link:
        try:
            return PlaceFinding(place, "answers", driver(link, clock, {}).identify(), (name,))
        except (LinkTimeout, InstrumentError):
            return None
