"""One instrument has one name on a bench, however its address is written, and is of the kind its driver is for."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest

from benchrig.bench import Bench, InstrumentSpec, Station, load_bench
from benchrig.bench.attach import Attached
from benchrig.clock import SimClock
from benchrig.errors import FileError, WrongInstrument
from benchrig.instruments import Identity, kinds_of, load_driver
from benchrig.links import addresses

HOSTS = {"meter.shop": "192.168.1.20", "dmm-2": "192.168.1.20", "scope.shop": "192.168.1.30"}


@pytest.fixture
def names(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """A network in which `HOSTS` are known; which names were looked up."""
    asked: list[str] = []

    def look_up(host: str, *_: object, **__: object) -> list[tuple[object, ...]]:
        asked.append(host)
        if host not in HOSTS:
            raise socket.gaierror("not known")
        return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (HOSTS[host], 0))]

    monkeypatch.setattr(addresses.socket, "getaddrinfo", look_up)
    return asked


def written(folder: Path, *hosts: str, port: int = 5025, more: str = "") -> Path:
    file = folder / "bench.toml"
    tables = (
        f'[instrument.m{n}]\ndriver = "meter-scpi"\naddress = "TCPIP::{it}::{port if n < 2 else 4000}::SOCKET"\n{more}'
        for n, it in enumerate(hosts)
    )
    file.write_text('mains = "50 Hz"\n' + "".join(tables))
    return file


@pytest.mark.parametrize("hosts", [
    ("192.168.1.20", "meter.shop"), ("meter.shop", "dmm-2"), ("METER.shop", "192.168.1.20"), ("::1", "0:0:0:0:0:0:0:1"),
])  # fmt: skip
def test_two_names_of_one_machine_are_one_address(tmp_path: Path, names: list[str], hosts: tuple[str, str]) -> None:
    if ":" in hosts[0]:
        first, second = (addresses.SocketAddress("", host, 5025) for host in hosts)
        assert addresses.hosts_of(first) == addresses.hosts_of(second)
        return
    with pytest.raises(FileError, match="same machine and port as that of 'm0'"):
        load_bench(written(tmp_path, *hosts))


@pytest.mark.parametrize(
    "hosts", [("192.168.1.20", "scope.shop"), ("unknown-a", "unknown-b"), ("192.168.1.20", "192.168.1.21")]
)
def test_two_machines_are_two(tmp_path: Path, names: list[str], hosts: tuple[str, str]) -> None:
    assert len(load_bench(written(tmp_path, *hosts)).instruments) == 2


def test_no_name_is_looked_up_where_it_says_nothing(tmp_path: Path, names: list[str]) -> None:
    """One socket of a port is alone there: a bench file loads without a network."""
    load_bench(written(tmp_path, "meter.shop"))
    assert names == []


def test_two_instruments_of_one_serial_number_are_a_mistake(tmp_path: Path, names: list[str]) -> None:
    with pytest.raises(FileError, match="'m0' has this serial number already"):
        load_bench(written(tmp_path, "192.168.1.20", "192.168.1.21", more='serial = "A1"\n'))


class Answers:
    """A driver that answers with an identity."""

    def __init__(self, *identity: str) -> None:
        self._identity = Identity(*identity)

    def identify(self) -> Identity:
        return self._identity

    def release(self) -> None:
        pass


class Silent:
    def write(self, data: bytes) -> None: ...

    def read(self, deadline: float) -> bytes:
        return b""

    def close(self) -> None: ...


def attached(*serials: str) -> list[Attached]:
    """Instruments of one bench that answer with these serial numbers."""
    every: list[Attached] = []
    for number, serial in enumerate(serials):
        spec = InstrumentSpec(f"m{number}", "meter-scpi", "sim://m")
        every.append(
            Attached(
                spec, SimClock(), opener=lambda line: Silent(), others=lambda: every,
                factory=lambda link, clock, options, serial=serial: Answers("Maker", "Model", serial, "1"),
            )
        )  # fmt: skip
    return every


def test_an_instrument_that_answers_under_two_names_is_noticed_when_the_second_opens() -> None:
    """By LAN and by its serial port: no address shows that."""
    first, second = attached("A1", "A1")
    first.open()
    with pytest.raises(WrongInstrument, match="m1 at sim://m is the same instrument as m0"):
        second.open()
    first.close()
    second.open()


@pytest.mark.parametrize("serials", [("A1", "A2"), ("", ""), ("0", "0")])
def test_others_are_others(serials: tuple[str, str]) -> None:
    """Many meters answer 0 where others have their number."""
    for it in attached(*serials):
        it.open()


def test_a_station_knows_the_others() -> None:
    specs = {name: InstrumentSpec(name, "meter-scpi", f"sim://{name}") for name in ("a", "b")}
    station = Station(Bench("bench.toml", 50.0, specs), SimClock(), world=object())  # type: ignore[arg-type]
    a, b = station.attached("a"), station.attached("b")
    assert list(a._others()) == [a, b]


@pytest.mark.parametrize(("driver", "identity", "refused"), [
    ("meter-scpi", ("TEKTRONIX", "TDS 2024B", "C1", "1"), True),
    ("supply-scpi", ("TEKTRONIX", "TDS 2024B", "C1", "1"), True),
    ("meter-scpi", ("HEWLETT-PACKARD", "34401A", "0", "1"), False),
    ("meter-scpi", ("Nobody", "X1", "0", "1"), False),
    ("prompt", ("HEWLETT-PACKARD", "34401A", "0", "1"), False),
])  # fmt: skip
def test_another_kind_of_instrument_is_refused_when_it_is_opened(
    driver: str, identity: tuple[str, ...], refused: bool
) -> None:
    """A scope behind a meter's driver. A model that nobody knows, or another family of the kind, is let pass.

    Models: their published programming manuals, as in the drivers.
    """
    made = load_driver(driver)

    class Another(made):  # type: ignore[misc, valid-type]
        def __init__(self, link: object, clock: object, options: object) -> None: ...

        def identify(self) -> Identity:
            return Identity(*identity)

    instrument = Attached(
        InstrumentSpec("m", driver, "sim://m"), SimClock(), opener=lambda line: Silent(), factory=Another
    )
    if refused:
        with pytest.raises(WrongInstrument, match=f"({driver})"):
            instrument.open()
    else:
        instrument.open()


def test_kinds_are_those_that_a_session_tells_apart() -> None:
    assert [kinds_of(load_driver(it)) for it in ("meter-scpi", "scope-curve", "supply-scpi")] == [
        {"meter"}, {"scope"}, {"supply"},
    ]  # fmt: skip
    assert kinds_of(len) == frozenset()
