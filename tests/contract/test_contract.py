"""Every driver keeps its promises on its double: in process, and over real sockets and terminals."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest
from benchrig.drivers import contract
from benchrig.drivers.contract import ContractRow
from benchrig.sim_instruments.serve import Server
from small_bench import DOUBLES, small_bench

from benchrig.clock import Clock, RealClock, SimClock
from benchrig.instruments import driver_names, load_driver
from benchrig.links import Link, open_link
from benchrig.links.logged import LoggedLink, WireLog


def table(name: str, link: Link, clock: Clock) -> list[ContractRow]:
    """All rows of the contract for the driver of the double called `name`."""
    log = WireLog()
    driver = load_driver(DOUBLES[name][0])(LoggedLink(link, clock, log), clock, {})
    return list(contract.try_all(driver, clock, log))


def check(rows: list[ContractRow]) -> None:
    """Nothing broken; and enough works that the table says something."""
    broken = [f"{row.what}: {row.detail}\n{row.dialogue}" for row in rows if row.outcome == "broken"]
    assert not broken, "\n".join(broken)
    assert sum(row.outcome == "works" for row in rows) >= 5
    assert rows[0].what == "says who it is"
    assert rows[0].outcome == "works"


@pytest.mark.parametrize("name", DOUBLES)
def test_the_contract_holds_in_process(name: str) -> None:
    """On a simulated clock, where minutes cost nothing."""
    clock = SimClock()
    check(table(name, open_link(f"sim://{name}", clock, world=small_bench(clock, name)), clock))


@pytest.fixture
def served(request: pytest.FixtureRequest) -> Iterator[dict[str, str]]:
    """Addresses of the named doubles on loopback and pseudo-terminals."""
    server = Server(small_bench(RealClock(), *request.param))
    thread = threading.Thread(target=server.run)
    thread.start()
    yield {row["name"]: row["address"] for row in server.addresses()}
    server.stop()
    thread.join()


# One of each link and kind of grammar; the others differ in their frames only, and handhelds wait for real seconds.
ON_REAL_LINKS = ["tenfield-a2", "tenfield-a1", "meter", "supply", "fs9721", "prompt", "camera"]


@pytest.mark.parametrize(("served", "name"), [([name], name) for name in ON_REAL_LINKS], indirect=["served"])
def test_the_contract_holds_on_real_links(served: dict[str, str], name: str) -> None:
    """Over TCP through pyvisa, and over a pseudo-terminal through pyserial."""
    clock = RealClock()
    driver = load_driver(DOUBLES[name][0])
    link = open_link(served[name], clock, getattr(driver, "LINE", None))
    try:
        check(table(name, link, clock))
    finally:
        link.close()


def test_no_driver_is_without_a_double() -> None:
    """A driver that nothing tries is a promise nobody keeps."""
    assert set(driver_names()) == {driver for driver, _, _ in DOUBLES.values()}


def test_a_broken_promise_is_shown_with_its_dialogue() -> None:
    """An instrument that falls silent gives broken rows, the bytes beside them, and the table still ends."""
    clock = SimClock()
    world = small_bench(clock, "meter")
    log = WireLog()
    link = LoggedLink(open_link("sim://meter", clock, world=world), clock, log)
    meter = load_driver("meter-scpi")(link, clock, {})
    world.double("meter").freeze(1e9)
    rows = list(contract.try_all(meter, clock, log))
    assert rows[0].outcome == "broken"
    assert "*IDN?" in rows[0].dialogue
    assert rows[-1].what == "hands the panel back"
    assert rows[-1].outcome == "works"
