"""Message transports: their doubles on loopback, our links on them, and a client that nobody here wrote.

Each double is written from its standard, not from the link. The client is pyvisa-py.
"""

from __future__ import annotations

import random
import select
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, suppress

import pytest
from benchrig.drivers import contract
from benchrig.sim_instruments.gate_plusplus import PlusPlusGate
from benchrig.sim_instruments.gates import Mailbox, answer_end
from benchrig.sim_instruments.outlets import TcpOutlet, Watcher
from benchrig.sim_instruments.serve import LINKS, Server
from small_bench import DOUBLES, LEVEL, small_bench

from benchrig.bench import InstrumentSpec
from benchrig.bench.attach import Attached
from benchrig.bench.probe import Place, probe
from benchrig.clock import RealClock
from benchrig.errors import BenchrigError, FileError, LinkLost, LinkTimeout
from benchrig.instruments import load_driver
from benchrig.links import Link, open_link
from benchrig.links.addresses import parse_address, place_of
from benchrig.links.hislip import HislipLink
from benchrig.links.scpi_port import ScpiPort
from benchrig.links.transports import MessageAddress

CLOCK = RealClock()
KINDS = [kind for kind in LINKS if kind not in ("tcp", "rfc2217")]
VISA_KINDS = [kind for kind in KINDS if kind in ("vxi11", "hislip")]


class Served:
    """Doubles behind one transport, in a thread."""

    def __init__(self, kind: str, *names: str) -> None:
        self.world = small_bench(CLOCK, *names)
        self.server = Server(self.world, link=kind)
        self.addresses = {row["name"]: row["address"] for row in self.server.addresses()}
        self._thread = threading.Thread(target=self.server.run)
        self._thread.start()

    def port(self, name: str, timeout: float = 2.0) -> ScpiPort:
        return ScpiPort(open_link(self.addresses[name], CLOCK), CLOCK, timeout)

    def close(self) -> None:
        self.server.stop()
        self._thread.join()


Serve = Callable[..., Served]


@pytest.fixture
def serve() -> Iterator[Serve]:
    made: list[Served] = []

    def start(kind: str, *names: str) -> Served:
        made.append(Served(kind, *names))
        return made[-1]

    yield start
    for served in made:
        served.close()


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("name", ["meter", "supply", "tenfield-a2", "curve-dpo", "descriptor-c1"])
def test_the_contract_of_the_drivers_holds(kind: str, name: str, serve: Serve) -> None:
    served = serve(kind, name)
    with closing(open_link(served.addresses[name], CLOCK)) as link:
        driver = load_driver(DOUBLES[name][0])(link, CLOCK, {})
        rows = list(contract.try_all(driver, CLOCK))
    assert [f"{row.what}: {row.detail}" for row in rows if row.outcome == "broken"] == []
    assert sum(row.outcome == "works" for row in rows) >= 4


@pytest.mark.parametrize("kind", KINDS)
def test_a_late_answer_is_cleared_and_never_comes_as_the_next_one(kind: str, serve: Serve) -> None:
    served = serve(kind, "meter")
    port = served.port("meter")
    with closing(port.link):
        assert port.identify()[1] == "34401A"
        for late in (0.2, 0.4, 0.8):
            served.world.double("meter").delay(late)
            with pytest.raises(LinkTimeout):
                port.ask("*IDN?", timeout=0.1)
            assert float(port.ask("READ?")) == pytest.approx(LEVEL, abs=0.01)
        assert port.errors() == []


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_is_asked_for_that_is_not_owed(kind: str, serve: Serve) -> None:
    """A read without a question would be a query error in the instrument (-420)."""
    served = serve(kind, "meter")
    port = served.port("meter")
    with closing(port.link):
        assert port.link.read(CLOCK.now() + 0.05) == b""
        port.send("*CLS")
        assert port.link.read(CLOCK.now() + 0.05) == b""
        assert port.errors() == []


@pytest.mark.parametrize("kind", KINDS)
def test_a_lost_far_end_is_told_as_lost_and_comes_back(kind: str, serve: Serve) -> None:
    served = serve(kind, "meter")
    spec = InstrumentSpec("dmm", driver="meter-scpi", address=served.addresses["meter"])
    attached = Attached(spec, CLOCK)
    assert attached.open().model == "34401A"
    served.world.double("meter").unplug(seconds=0.3)
    lost: list[object] = []
    reading = attached.use(lambda driver: driver.read(CLOCK.now() + 3.0), lost.append)
    attached.close()
    assert lost
    assert reading.value == pytest.approx(LEVEL, abs=0.01)


def hostile(served: Served, questions: int, chance: random.Random) -> dict[str, int]:
    """How many answers were right, refused, and wrong, with 1 % late, 1 % cut and 0.1 % lost far ends.

    Each question carries a number of its own, which its answer has to bring.
    """
    cable = served.world.double("meter")
    count = {"right": 0, "refused": 0, "wrong": 0}
    port = served.port("meter", 0.3)
    for number in range(questions):
        what = chance.random()
        if what < 0.01:
            cable.delay(chance.choice([0.05, 0.12, 0.2]))
        elif what < 0.02:
            cable.truncate(chance.choice([0, 1, 2]))
        elif what < 0.021:
            cable.unplug(seconds=0.02)
        wanted = number % 64
        try:
            port.send(f"*SRE {wanted}")
            found = port.ask("*SRE?", timeout=0.1)
            count["right" if float(found) == wanted else "wrong"] += 1
        except LinkLost:
            count["refused"] += 1
            port = _again(served, port)
        except BenchrigError:
            count["refused"] += 1
    port.link.close()
    return count


def _again(served: Served, port: ScpiPort) -> ScpiPort:
    port.link.close()
    while True:
        with suppress(BenchrigError):
            port = served.port("meter", 0.3)
            port.resync()
            return port
        time.sleep(0.01)


@pytest.mark.parametrize("kind", KINDS)
def test_no_answer_is_wrong_among_late_cut_and_lost_ones(kind: str, serve: Serve) -> None:
    found = hostile(serve(kind, "meter"), 1000, random.Random(3))
    assert found["wrong"] == 0
    assert found["refused"] > 3
    assert found["right"] > 900


@pytest.mark.parametrize("kind", VISA_KINDS)
def test_pyvisa_py_reads_our_doubles(kind: str, serve: Serve) -> None:
    served = serve(kind, "meter", "tenfield-a2")
    manager = pytest.importorskip("pyvisa").ResourceManager("@py")
    with closing(manager.open_resource(served.addresses["meter"])) as meter:
        meter.timeout = 3000
        assert meter.query("*IDN?").split(",")[1] == "34401A"
        assert float(meter.query("READ?")) == pytest.approx(LEVEL, abs=0.01)
        meter.clear()
        assert meter.query("*ESE?").strip() == "+0"
        assert meter.query("SYST:ERR?").startswith("+0")
    with closing(open_link(served.addresses["tenfield-a2"], CLOCK)) as link:
        record = load_driver("scope-tenfield")(link, CLOCK, {}).fresh_capture(1, CLOCK.now() + 5.0)
    with closing(manager.open_resource(served.addresses["tenfield-a2"])) as scope:
        scope.timeout = 3000
        assert len(scope.query_binary_values(":WAV:DATA?", datatype="B", container=bytes)) >= len(record)


def test_an_answer_to_another_message_is_dropped_on_hislip(serve: Serve) -> None:
    """IVI-6.1, 3.1.2: an answer carries the number of the message that it answers."""
    served = serve("hislip", "meter")
    found = parse_address(served.addresses["meter"])
    assert isinstance(found, MessageAddress)
    with closing(HislipLink(found.text, CLOCK, found.host, found.port, found.device)) as link:
        link.send(b"*IDN?\n")
        while not select.select([link._sync._socket], [], [], 2.0)[0]:
            pass
        link.send(b"*ESE?\n")
        assert link.receive(CLOCK.now() + 2.0) == (b"+0\n", True)


class OneAdapter:
    """A meter at 22 and a supply at 5 behind one adapter with `++` commands."""

    def __init__(self) -> None:
        self.world = small_bench(CLOCK, "meter", "supply")
        boxes = {22: Mailbox(self.world.double("meter")), 5: Mailbox(self.world.double("supply"))}
        self._watcher = Watcher()
        self.outlet = TcpOutlet("adapter", PlusPlusGate(boxes, CLOCK), self._watcher)
        self.port = self.outlet.address.split("::")[2]
        self._stop = False
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        while not self._stop:
            self.outlet.service(CLOCK.now())
            wait = self.outlet.wait(CLOCK.now())
            self._watcher.wait(0.02 if wait is None else min(wait, 0.02))
        self.outlet.close()
        self._watcher.close()

    def address(self, number: int) -> str:
        return f"gpib+tcp://127.0.0.1:{self.port}/{number}"

    def close(self) -> None:
        self._stop = True
        self._thread.join()


def test_two_instruments_behind_one_adapter_never_get_each_others_answers() -> None:
    """Each in a thread of its own, and one of them late now and then."""
    with closing(OneAdapter()) as adapter:
        names = {22: "34401A", 5: ""}
        wrong: list[str] = []
        right = {22: 0, 5: 0}

        def ask(number: int) -> None:
            port = ScpiPort(open_link(adapter.address(number), CLOCK), CLOCK, 1.0)
            for turn in range(60):
                if number == 22 and turn % 10 == 3:
                    adapter.world.double("meter").delay(0.3)
                try:
                    model = port.ask("*IDN?", timeout=0.25).split(",")[1]
                except BenchrigError:
                    continue
                names[number] = names[number] or model
                wrong.extend([model] if model != names[number] else [])
                right[number] += 1
            port.link.close()

        threads = [threading.Thread(target=ask, args=(number,)) for number in (22, 5)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert wrong == []
    assert min(right.values()) > 20
    assert names[5] != "34401A"


def test_an_address_beyond_the_bus_is_refused() -> None:
    """IEEE 488.1: primary addresses are 0 to 30."""
    with pytest.raises(BenchrigError, match="no GPIB address"):
        open_link("gpib+tcp://127.0.0.1:1/31", CLOCK)


@pytest.mark.parametrize("name", ["fs9721", "es51922", "polled14", "prompt"])
def test_the_contract_holds_on_rfc2217(name: str, serve: Serve) -> None:
    """The client is pyserial's, the server is ours, from the RFC; what the line was set to arrives there."""
    served = serve("rfc2217", name)
    build = load_driver(DOUBLES[name][0])
    with closing(open_link(served.addresses[name], CLOCK, build.LINE)) as link:
        rows = list(contract.try_all(build(link, CLOCK, {}), CLOCK))
        gate = served.server._outlets[0]._gate
        assert gate.line[1] == build.LINE.baud
        assert gate.line[2] == build.LINE.data_bits
    assert [f"{row.what}: {row.detail}" for row in rows if row.outcome == "broken"] == []
    assert sum(row.outcome == "works" for row in rows) >= 3


def _read_for(link: Link, seconds: float) -> None:
    end = CLOCK.now() + seconds
    while CLOCK.now() < end:
        link.read(end)


def test_a_lost_rfc2217_server_is_told_as_lost(serve: Serve) -> None:
    served = serve("rfc2217", "fs9721")
    with closing(open_link(served.addresses["fs9721"], CLOCK)) as link:
        assert link.read(CLOCK.now() + 3.0)
        served.world.double("fs9721").unplug()
        with pytest.raises(LinkLost):
            _read_for(link, 5.0)


@pytest.mark.parametrize("kind", KINDS)
def test_find_says_who_is_there(kind: str, serve: Serve) -> None:
    served = serve(kind, "meter")
    found = probe(Place(served.addresses["meter"]), CLOCK)
    assert found.state == "answers"
    assert found.drivers == ("meter-scpi",)


@pytest.mark.parametrize(
    ("text", "kind", "host", "port", "device"),
    [
        ("TCPIP::10.0.0.7::INSTR", "vxi11", "10.0.0.7", 0, "inst0"),
        ("tcpip0::dmm.lan::inst0::instr", "vxi11", "dmm.lan", 0, "inst0"),
        ("TCPIP::10.0.0.7,1024::inst1::INSTR", "vxi11", "10.0.0.7", 1024, "inst1"),
        ("TCPIP::10.0.0.9::hislip0::INSTR", "hislip", "10.0.0.9", 4880, "hislip0"),
        ("TCPIP::10.0.0.9::HISLIP0,4881::INSTR", "hislip", "10.0.0.9", 4881, "hislip0"),
        ("gpib+tcp://10.0.0.9/5", "plusplus", "10.0.0.9", 1234, "5"),
        ("gpib+serial:///dev/ttyacm0/22", "plusplus", "/dev/ttyacm0", 0, "22"),
        ("TCPIP::10.0.0.9::gpib0,22::INSTR", "vxi11", "10.0.0.9", 0, "gpib0,22"),
    ],
)
def test_forms_of_addresses(text: str, kind: str, host: str, port: int, device: str) -> None:
    """VPP-4.3, table 4.3.1; the port behind a comma as pyvisa-py takes it."""
    found = parse_address(text)
    assert isinstance(found, MessageAddress)
    assert (found.transport.kind, found.host, found.port, found.device) == (kind, host, port, device)
    assert place_of(found) == place_of(parse_address(text.lower()))


def test_a_port_that_is_none_is_refused() -> None:
    with pytest.raises(FileError, match="not a port"):
        parse_address("TCPIP::10.0.0.7,99999::inst0::INSTR")


@pytest.mark.parametrize(
    ("data", "end"), [(b"1\n2\n", 2), (b"1", 0), (b"#13a\nb\n", 7), (b"x;#13a\nb", 0), (b"#13a", 0), (b"#2", 0)]
)
def test_where_an_answer_ends(data: bytes, end: int) -> None:
    """IEEE 488.2, 8.7.9: a block goes by its length."""
    assert answer_end(data) == end
