"""What answers on this machine: ports, hosts and addresses looked at side by side, each within a short time.

Each look has an end, and is told when it is over, not when all are over. How one place is looked at is told in `probe`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, as_completed
from contextlib import suppress
from dataclasses import replace

from ..clock import Clock
from ..errors import BenchrigError
from ..instruments import Identity
from ..links import LineSettings, Link, open_link
from ..links.addresses import SerialAddress, SimAddress, VisaSerialAddress, parse_address
from ..links.portlist import PortFound, hid_cables, passing, serial_ports
from .attach import Attached, address_of
from .model import InstrumentSpec
from .probe import Opener, Place, PlaceFinding, drivers_for, probe, trouble

USUAL_PORTS = (5025, 5555, 4000, 3000)  # raw sockets that makers of bench instruments use, the commonest first
_AT_ONCE = 16


def ports_here() -> list[Place]:
    """Every serial port of this machine, by its lasting name where it has one."""
    return [Place(f"serial://{port.lasting or port.device}", _usb(port)) for port in serial_ports()]


def _usb(port: PortFound) -> str:
    return " ".join(part for part in (port.device, port.usb, port.usb_serial, port.description) if part)


def cables_without_port() -> list[PlaceFinding]:
    """Meter cables that nothing here can open, so that nobody looks for their port in vain."""
    words, cure = "A meter cable without a serial port (HID).", "It is not spoken to: use a cable with a serial port."
    return [PlaceFinding(Place(cable), "closed", words=words, cure=cure) for cable in hid_cables()]


def on_host(host: str) -> list[Place]:
    """The usual raw sockets of one host."""
    return [Place(f"TCPIP::{host}::{port}::SOCKET") for port in USUAL_PORTS]


def look(
    places: Sequence[Place],
    clock: Clock,
    *,
    hosts: Sequence[str] = (),
    opener: Opener = open_link,
    at_once: int = _AT_ONCE,
) -> Iterator[PlaceFinding]:
    """Look at all places and hosts, each in a thread of its own; findings come as they are known."""
    jobs = len(places) + len(hosts)
    if not jobs:
        return
    with ThreadPoolExecutor(max_workers=min(at_once, jobs)) as pool:
        looks: list[Future[list[PlaceFinding]]] = [
            *(pool.submit(lambda place: [probe(place, clock, opener)], place) for place in places),
            *(pool.submit(_at_host, host, clock, opener) for host in hosts),
        ]
        for done in as_completed(looks):
            yield from done.result()


def _at_host(host: str, clock: Clock, opener: Opener) -> list[PlaceFinding]:
    """What opens there. Nobody listens at most of the usual ports, and that is news only where nobody does at any."""
    found = {it.place.address: it for it in look(on_host(host), clock, opener=opener)}
    if opened := [it for it in found.values() if it.state != "closed"]:
        return opened
    first = found[on_host(host)[0].address]
    return [replace(first, place=Place(host, f"ports {', '.join(map(str, USUAL_PORTS))}"))]


def try_bench(specs: Sequence[InstrumentSpec], attach: Callable[[str], Attached]) -> Iterator[PlaceFinding]:
    """Open and identify each instrument of a bench file through its own driver; findings come as they are known."""
    if specs:
        with ThreadPoolExecutor(max_workers=min(_AT_ONCE, len(specs))) as pool:
            for done in as_completed([pool.submit(_try_one, spec, attach(spec.name)) for spec in specs]):
                yield done.result()


def _try_one(spec: InstrumentSpec, attached: Attached) -> PlaceFinding:
    place = Place(spec.address or f"usb {spec.usb}", _lasting_name(spec.address), spec.name, spec.driver)
    try:
        return _by_its_driver(place, attached.open())
    except BenchrigError as error:
        found = trouble(place, error, (spec.driver,))
    finally:
        attached.close()
    return _by_another(found, spec, attached.clock) if found.state == "wrong" else found


def _lasting_name(address: str) -> str:
    """A word on a port whose name belongs to whoever was plugged in first."""
    found = parse_address(address) if address else None
    if not isinstance(found, SerialAddress | VisaSerialAddress) or not passing(found.port):
        return ""
    lasting = next((port.lasting for port in serial_ports() if port.device == found.port), "")
    return f"another adapter may get this name; it stays with serial://{lasting}" if lasting else ""


def _by_its_driver(place: Place, identity: Identity) -> PlaceFinding:
    """What answered the driver of the bench file; with a word where only others say that they know it."""
    others = drivers_for(identity)
    if not others or place.driver in others:
        return PlaceFinding(place, "answers", identity, (place.driver,))
    return PlaceFinding(place, "answers", identity, (place.driver,), _not_its_own(place, others), _CORRECT)


def _by_another(found: PlaceFinding, spec: InstrumentSpec, clock: Clock) -> PlaceFinding:
    """Where its driver refused what answers: whether another driver knows it, which says more than the refusal."""
    with suppress(BenchrigError):
        address = address_of(spec)
        if not isinstance(parse_address(address), SimAddress):
            seen = probe(Place(address), clock, _with_line_of(spec))
            if seen.drivers and spec.driver not in seen.drivers:
                words = _not_its_own(found.place, seen.drivers)
                return replace(found, identity=seen.identity, words=words, cure=_CORRECT)
    return found


def _with_line_of(spec: InstrumentSpec) -> Opener:
    def opener(address: str, clock: Clock, line: LineSettings) -> Link:
        return open_link(address, clock, spec.line_settings(line))

    return opener


def _not_its_own(place: Place, others: Sequence[str]) -> str:
    return f"{place.driver} does not know this model; {', '.join(others)} does."


_CORRECT = "Correct the driver or the address in the bench file."
