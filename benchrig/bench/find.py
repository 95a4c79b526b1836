"""What answers on this machine: ports and addresses looked at side by side, each within a short time.

Rules of this module:
1. Only questions that change nothing: what comes unasked is listened to first; then `*IDN?`; last, on a serial line
   where nobody knew that, what the driver of a nameless meter asks to identify it. No setting is sent.
2. Each look has an end, and is told when it is over, not when all are over.
3. What could not be opened is a finding too: the reason and the cure stand in it.
4. A meter that talks by itself is recognised only by whole frames that its driver can read, at least two of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import closing, suppress
from dataclasses import dataclass
from typing import Any, Literal

from ..clock import Clock
from ..errors import BenchrigError, FrameError, InstrumentError, LinkTimeout
from ..instruments import Identity, driver_names, load_driver
from ..links import LineSettings, Link, open_link
from ..links.addresses import SocketAddress, parse_address
from ..links.ports import PortFound, serial_ports
from ..wire import answers
from .attach import Attached
from .model import InstrumentSpec

State = Literal["answers", "wrong", "silent", "closed"]

LISTEN = 1.3  # s; the slowest of the talking meters sends two frames a second
ASK = 0.8  # s for the answer to *IDN?
USUAL_PORTS = (5025, 5555, 4000, 3000)  # raw sockets that makers of bench instruments use, the commonest first
_FRAMES = 2
_AT_ONCE = 16
_MOST = 4096  # bytes of one answer


@dataclass(frozen=True, slots=True)
class Place:
    """Somewhere to look. `driver` and `name` where a bench file gives them."""

    address: str
    note: str = ""
    name: str = ""
    driver: str = ""


@dataclass(frozen=True, slots=True)
class Finding:
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


def ports_here() -> list[Place]:
    """Every serial port of this machine, by its lasting name where it has one."""
    return [Place(f"serial://{port.by_id or port.device}", _usb(port)) for port in serial_ports()]


def _usb(port: PortFound) -> str:
    return " ".join(part for part in (port.device, port.usb, port.usb_serial, port.description) if part)


def on_host(host: str) -> list[Place]:
    """The usual raw sockets of one host."""
    return [Place(f"TCPIP::{host}::{port}::SOCKET") for port in USUAL_PORTS]


def of_bench(specs: Sequence[InstrumentSpec]) -> list[Place]:
    """Each instrument of a bench file, at its address or USB adapter."""
    return [Place(spec.address or f"usb {spec.usb}", "", spec.name, spec.driver) for spec in specs]


def look(
    places: Sequence[Place], clock: Clock, *, opener: Opener = open_link, at_once: int = _AT_ONCE
) -> Iterator[Finding]:
    """Look at all places, each in a thread of its own; findings come as they are known."""
    if not places:
        return
    with ThreadPoolExecutor(max_workers=min(at_once, len(places))) as pool:
        looks = [pool.submit(probe, place, clock, opener) for place in places]
        for done in as_completed(looks):
            yield done.result()


def try_bench(specs: Sequence[InstrumentSpec], attach: Callable[[str], Attached]) -> Iterator[Finding]:
    """Open and identify each instrument of a bench file through its own driver; findings come as they are known."""

    def one(spec: InstrumentSpec) -> Finding:
        place = of_bench([spec])[0]
        attached = attach(spec.name)
        try:
            return _by_its_driver(place, attached.open())
        except BenchrigError as error:
            return _trouble(place, error, (spec.driver,))
        finally:
            attached.close()

    if specs:
        with ThreadPoolExecutor(max_workers=min(_AT_ONCE, len(specs))) as pool:
            for done in as_completed([pool.submit(one, spec) for spec in specs]):
                yield done.result()


def _by_its_driver(place: Place, identity: Identity) -> Finding:
    """What answered the driver of the bench file; with a word where only others say that they know it."""
    others = drivers_for(identity)
    if not others or place.driver in others:
        return Finding(place, "answers", identity, (place.driver,))
    words = f"{place.driver} does not know this model; {', '.join(others)} does."
    cure = "Correct the driver or the address in the bench file."
    return Finding(place, "answers", identity, (place.driver,), words, cure)


def _trouble(place: Place, error: BenchrigError, drivers: tuple[str, ...] = ()) -> Finding:
    state: State = "closed"
    if isinstance(error, LinkTimeout | FrameError):
        state = "silent"
    elif isinstance(error, InstrumentError):
        state = "wrong"
    return Finding(
        place, state, drivers=drivers, words=error.message.removeprefix(f"{place.address}: "), cure=error.next_step
    )


def probe(place: Place, clock: Clock, opener: Opener = open_link) -> Finding:
    """Look at one place. Raises nothing: whatever goes wrong is the finding."""
    try:
        if isinstance(parse_address(place.address), SocketAddress):
            return _ask(place, clock, opener, LineSettings()) or Finding(place, "silent", words=_MUTE, cure=_IS_IT_SCPI)
        return _serial(place, clock, opener)
    except BenchrigError as error:
        return _trouble(place, error)


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


# One serial line


def _serial(place: Place, clock: Clock, opener: Opener) -> Finding:
    """First listen at every talker's settings, then ask at every asker's, then let the nameless say their frame."""
    for line, talkers in _talkers().items():
        if found := _listen(place, clock, opener, line, talkers):
            return found
    for line in _askers():
        if found := _ask(place, clock, opener, line):
            return found
    for line, askers in _askers().items():
        for name, driver in askers:
            if not hasattr(driver, "takes") and (found := _nameless(place, clock, opener, line, name, driver)):
                return found
    return Finding(place, "silent", words="It opens, but nobody speaks.", cure=_IS_IT_ON)


_IS_IT_ON = "Is the meter on, its serial output on, and the lead in? Some talk only after a key was held."
_IS_IT_SCPI = "Is this the instrument's remote socket?"
_MUTE = "It opens, but nobody answers *IDN?."


def _listen(
    place: Place, clock: Clock, opener: Opener, line: LineSettings, talkers: Sequence[tuple[str, Any]]
) -> Finding | None:
    """The talker whose frames come, or None."""
    ears = [(name, driver.GRAMMAR.framer(), driver.GRAMMAR.decode) for name, driver in talkers]
    heard = {name: 0 for name, _, _ in ears}
    with closing(opener(place.address, clock, line)) as link:
        end = clock.now() + LISTEN
        while clock.now() < end and max(heard.values()) < _FRAMES:
            data = link.read(end)
            for name, framer, decode in ears:
                heard[name] += sum(_reads(decode, frame) for frame in framer.feed(data))
    known = tuple(name for name, count in heard.items() if count >= _FRAMES)
    return Finding(place, "answers", Identity(model=known[0]), known) if known else None


def _reads(decode: Callable[[bytes], Any], frame: bytes) -> bool:
    try:
        decode(frame)
    except InstrumentError:
        return False
    return True


def _ask(place: Place, clock: Clock, opener: Opener, line: LineSettings) -> Finding | None:
    """Whoever answers `*IDN?`; None where nobody does in time."""
    with closing(opener(place.address, clock, line)) as link:
        link.write(b"*IDN?\r\n")
        identity = _first_identity(link, clock)
    if identity is None:
        return None
    drivers = drivers_for(identity)
    words = "" if drivers else "No installed driver says that it knows this model."
    cure = "" if drivers else "Name a driver for it in a bench file, and try that with --try."
    return Finding(place, "answers", identity, drivers, words, cure)


def _first_identity(link: Link, clock: Clock) -> Identity | None:
    """The first line that is an identity: an echo or a prompt before it is passed over."""
    end, held = clock.now() + ASK, b""
    while data := link.read(end):
        *lines, held = (held + data)[-_MOST:].split(b"\n")
        for line in lines:
            with suppress(InstrumentError):
                return Identity(*answers.identity(line.decode("latin-1").strip()))
    return None


def _nameless(place: Place, clock: Clock, opener: Opener, line: LineSettings, name: str, driver: Any) -> Finding | None:
    """A meter that answers questions but has no name: its driver knows the frame."""
    with closing(opener(place.address, clock, line)) as link:
        try:
            return Finding(place, "answers", driver(link, clock, {}).identify(), (name,))
        except (LinkTimeout, InstrumentError):
            return None
