"""A bench in use: each instrument opened when it is asked for, and doubles believed only where that is proven."""

from __future__ import annotations

from collections.abc import Collection

import pytest
from far_ends import TcpEnd, tcp_end

from benchrig.bench import Bench, InstrumentSpec, Station
from benchrig.clock import RealClock, SimClock
from benchrig.errors import FileError


class Empty:
    """A simulated bench; nothing here opens it."""

    def double(self, name: str) -> object:
        raise LookupError(name)


class Servers:
    """Doubles served by this process."""

    def __init__(self, *addresses: str) -> None:
        self.running = list(addresses)

    def addresses(self) -> Collection[str]:
        return self.running


def bench(**addresses: str) -> Bench:
    return Bench("bench.toml", 50.0, {name: InstrumentSpec(name, "meter-scpi", at) for name, at in addresses.items()})


def doubles(servers: Servers | None = None, world: object | None = None, **addresses: str) -> bool:
    return Station(bench(**addresses), SimClock(), world=world, servers=servers).all_doubles()  # type: ignore[arg-type]


LOOPBACK = "TCPIP::127.0.0.1::5025::SOCKET"


def test_simulated_addresses_are_doubles_only_where_a_world_was_handed_in() -> None:
    assert doubles(world=Empty(), a="sim://a", b="sim://b")
    assert not doubles(a="sim://a")


def test_one_real_instrument_makes_it_a_real_bench() -> None:
    assert not doubles(world=Empty(), a="sim://a", b="TCPIP::192.168.1.20::5025::SOCKET")
    usb = Bench("bench.toml", 50.0, {"h": InstrumentSpec("h", "fs9721", "", usb="1a86:e008")})
    assert not Station(usb, SimClock(), world=Empty()).all_doubles()  # type: ignore[arg-type]


def test_a_loopback_port_is_a_double_only_while_this_process_serves_it() -> None:
    """A tunnel to a real instrument stands on the loopback too."""
    servers = Servers(LOOPBACK)
    assert doubles(servers, a=LOOPBACK)
    assert doubles(servers, a="TCPIP0::localhost::5025::SOCKET")
    assert not doubles(servers, a="TCPIP::127.0.0.1::5026::SOCKET")
    assert not doubles(a=LOOPBACK)
    servers.running = []
    assert not doubles(servers, a=LOOPBACK)


def test_an_address_beyond_the_loopback_is_never_a_double_whatever_a_server_says() -> None:
    far = "TCPIP::192.168.1.20::5025::SOCKET"
    assert not doubles(Servers(far), a=far)


def test_a_pseudo_terminal_is_known_by_its_path_in_either_form() -> None:
    servers = Servers("serial:///dev/pts/7?baud=2400")
    assert doubles(servers, a="ASRL/dev/pts/7::INSTR", b="serial:///dev/pts/7")
    assert not doubles(servers, a="serial:///dev/pts/8")


def identify(line: bytes) -> bytes | None:
    return b"LANTERN,34401A,0,1.0\n" if line == b"*IDN?" else None


@pytest.fixture
def socket_end():
    with tcp_end(identify) as end:
        yield end


def test_an_instrument_that_is_not_asked_for_is_not_touched(socket_end: TcpEnd) -> None:
    station = Station(bench(a=socket_end.address), RealClock())
    station.attached("a")
    station.close()
    assert socket_end.connections == 0
    with pytest.raises(FileError, match="no instrument"):
        station.attached("b")
