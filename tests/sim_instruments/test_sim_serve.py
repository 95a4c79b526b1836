"""Doubles behind real sockets, real pseudo-terminals and a real child process."""

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

import pytest
import serial
from benchrig.sim_instruments.control import ControlRefused, RemoteHands
from benchrig.sim_instruments.launch import LaunchedDoubles, LaunchFailed, launch
from benchrig.sim_instruments.serve import SECRET_VARIABLE, Server
from benchrig.sim_instruments.world import World

from benchrig.clock import RealClock
from benchrig.errors import FileError

SECRET = "of this test"


class Block:
    """Answers "N\\n" with N bytes; talks `every` so many seconds besides, if given."""

    plugged = True

    def __init__(self, clock: RealClock, every: float | None = None) -> None:
        self.clock = clock
        self.every = every
        self.next = clock.now() + (every or 0.0)
        self.out = b""
        self.partial = b""

    def receive(self, data: bytes) -> None:
        *lines, self.partial = (self.partial + data).split(b"\n")
        for line in lines:
            self.out += bytes(int(line)) if line.isdigit() else b"?"

    def due(self) -> float | None:
        if self.out:
            return self.clock.now()
        return self.next if self.every else None

    def take(self) -> bytes:
        while self.every and self.next <= self.clock.now():
            self.out += b"tick."
            self.next += self.every
        out, self.out = self.out, b""
        return out


class Nobody:
    """Hands that do one thing."""

    def __init__(self) -> None:
        self.turned: list[float] = []
        self.incidents = ["none"]

    def turn(self, trimmer: str, degrees: float) -> float:
        self.turned.append(degrees)
        return degrees


@contextmanager
def serving(*, clients: int = 1, **kinds: str) -> Iterator[tuple[Server, World]]:
    """A server in a thread with one block double per keyword; "talker" kinds talk ten times a second."""
    clock = RealClock()
    world = World(clock)
    world.hands = Nobody()
    for name, kind in kinds.items():
        world.connect(name, Block(clock, 0.1 if name == "talker" else None), kind)
    server = Server(world, clients=clients, secret=SECRET)
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        yield server, world
    finally:
        server.stop()
        thread.join(10.0)
        assert not thread.is_alive()


def port_of(server: Server, name: str) -> int:
    address = {row["name"]: row["address"] for row in server.addresses()}[name]
    return int(address.split("::")[2])


def path_of(server: Server, name: str) -> str:
    return {row["name"]: row["address"] for row in server.addresses()}[name].removeprefix("serial://")


def connect(server: Server, name: str) -> socket.socket:
    return socket.create_connection(("127.0.0.1", port_of(server, name)), timeout=5.0)


def read_exactly(client: socket.socket, count: int) -> int:
    got = 0
    while got < count:
        data = client.recv(min(1 << 16, count - got))
        if not data:
            break
        got += len(data)
    return got


def wait_until(what: Callable[[], bool], seconds: float = 5.0) -> bool:
    """Look again and again until it is so."""
    end = time.monotonic() + seconds
    while not what():
        if time.monotonic() > end:
            return False
        time.sleep(0.01)
    return True


def answers(server: Server, name: str) -> bool:
    """A new host is let in and served; False while the server has not noticed yet that it may be."""
    with suppress(OSError), connect(server, name) as client:
        client.sendall(b"4\n")
        return read_exactly(client, 4) == 4
    return False


# Sockets


def test_a_large_block_arrives_whole() -> None:
    """Ten megabytes through a loopback socket."""
    with serving(block="tcp") as (server, _), connect(server, "block") as client:
        client.sendall(b"10000000\n")
        assert read_exactly(client, 10_000_000) == 10_000_000


def test_a_host_that_does_not_read_disturbs_nobody() -> None:
    """One asks for megabytes and never reads them; the other instrument answers all the same."""
    with (
        serving(slow="tcp", quick="tcp") as (server, _),
        connect(server, "slow") as slow,
        connect(server, "quick") as quick,
    ):
        slow.sendall(b"20000000\n" * 3)
        for _ in range(50):
            quick.sendall(b"5\n")
            assert read_exactly(quick, 5) == 5


def test_one_host_at_a_time_and_the_next_when_it_has_gone() -> None:
    """As a real instrument's raw socket."""
    with serving(block="tcp") as (server, _):
        with connect(server, "block") as first:
            first.sendall(b"3\n")
            assert read_exactly(first, 3) == 3
            with connect(server, "block") as second:
                assert second.recv(1) == b""
        assert wait_until(lambda: answers(server, "block"))


def test_several_hosts_where_that_is_wanted() -> None:
    """The answer goes to the one that asked."""
    with (
        serving(clients=2, block="tcp") as (server, _),
        connect(server, "block") as one,
        connect(server, "block") as two,
    ):
        for client, count in ((one, 3), (two, 4), (one, 5)):
            client.sendall(b"%d\n" % count)
            assert read_exactly(client, count) == count


def test_unplugging_drops_the_host_and_refuses_the_next_until_plugged_in() -> None:
    """Then the same port answers again."""
    with serving(block="tcp") as (server, world), connect(server, "block") as client:
        port = port_of(server, "block")
        hands = RemoteHands(server.control, SECRET)
        hands.ask("cable", "block", "unplug")
        with suppress(ConnectionError):
            assert client.recv(1) == b""
        with (
            pytest.raises(OSError, match=r"refused|reset"),
            socket.create_connection(("127.0.0.1", port), timeout=1.0) as again,
        ):
            again.recv(1)
        hands.ask("cable", "block", "plug")
        assert wait_until(lambda: answers(server, "block"))
        assert port_of(server, "block") == port
        hands.close()
        assert world.double("block").plugged


# Pseudo-terminals


def hung_up(port: serial.Serial) -> bool:
    """The far end of an open port is gone."""
    try:
        port.read(50)
    except serial.SerialException:
        return True
    return False


def test_every_byte_value_passes_a_terminal_both_ways() -> None:
    """Raw: no echo, no newline translation, no flow control characters eaten."""
    with serving(block="serial") as (server, world), serial.Serial(path_of(server, "block"), timeout=5.0) as port:
        port.write(b"256\n")
        assert len(port.read(256)) == 256
        everything = bytes(b for b in range(256) if b != 0x0A)
        port.write(everything + b"\n")
        assert port.read(1) == b"?"
        received = b"".join(data for _, data in world.wire_log("block"))
        assert received == b"256\n" + everything + b"\n"


def test_who_opens_a_talking_meter_late_hears_what_it_says_now() -> None:
    """No backlog of all the time when nobody listened."""
    with serving(talker="serial") as (server, _):
        time.sleep(0.6)
        with serial.Serial(path_of(server, "talker"), timeout=5.0) as port:
            assert port.read(5) == b"tick."
            assert port.in_waiting <= 10
        time.sleep(0.3)
        with serial.Serial(path_of(server, "talker"), timeout=5.0) as port:
            assert port.read(5) == b"tick."
            assert port.in_waiting <= 10


def test_unplugged_terminal_hangs_up_and_comes_back_under_the_same_path() -> None:
    """What a reopening link relies on."""
    with serving(talker="serial") as (server, _):
        path = path_of(server, "talker")
        with serial.Serial(path, timeout=2.0) as port:
            assert port.read(5) == b"tick."
            hands = RemoteHands(server.control, SECRET)
            hands.ask("cable", "talker", "unplug")
            assert wait_until(lambda: hung_up(port))
        assert wait_until(lambda: not os.path.lexists(path))
        hands.ask("cable", "talker", "plug")
        assert wait_until(lambda: os.path.exists(path))
        with serial.Serial(path, timeout=5.0) as port:
            assert port.read(5) == b"tick."
        hands.close()


# The back door


def test_nothing_is_done_without_the_secret() -> None:
    """The connection is closed, the hands have not moved."""
    with serving(block="tcp") as (server, world):
        hands = RemoteHands(server.control, "guessed")
        with pytest.raises(ConnectionError):
            hands.turn("RV1", 5.0)
        hands.close()
        assert world.hands.turned == []


def test_remote_hands_do_and_say_what_local_hands_do() -> None:
    """Results, attributes and the bench's own verbs."""
    with serving(block="tcp") as (server, world):
        hands = RemoteHands(server.control, SECRET)
        assert hands.turn("RV1", 2.5) == 2.5
        assert hands.incidents == ["none"]
        assert hands.ask("addresses") == server.addresses()
        hands.close()
        assert world.hands.turned == [2.5]


@pytest.mark.parametrize(
    "request_line",
    [
        b"",
        b"nonsense",
        b"[]",
        b'{"do": 7}',
        b'{"do": "_secret"}',
        b'{"do": "__class__"}',
        b'{"do": "turn"}',
        b"\xff\xfe",
    ],
)
def test_bad_requests_get_a_reason_and_harm_nothing(request_line: bytes) -> None:
    """The door stays open, the next request is answered."""
    with serving(block="tcp") as (server, _):
        host, _, port = server.control.rpartition(":")
        with socket.create_connection((host, int(port)), timeout=5.0) as client:
            client.sendall(SECRET.encode() + b"\n" + request_line + b"\n" + b'{"do": "turn", "with": ["RV1", 1]}\n')
            lines = client.makefile("rb")
            assert "error" in json.loads(lines.readline())
            assert json.loads(lines.readline()) == {"ok": 1}


# The child process


@pytest.fixture(scope="module")
def launched() -> Iterator[LaunchedDoubles]:
    """One Skerry 14 bench in a child process."""
    with launch("skerry14", 4) as doubles:
        yield doubles


def test_child_gives_addresses_of_the_forms_a_bench_file_takes(launched: LaunchedDoubles) -> None:
    """Sockets and a serial path; all its own, nothing else."""
    assert set(launched.addresses) == {"scope", "meter", "handheld", "supply"}
    assert launched.addresses["meter"].startswith("TCPIP::127.0.0.1::")
    assert launched.addresses["handheld"].startswith("serial:///")


def test_meter_in_the_child_reads_the_chassis(launched: LaunchedDoubles) -> None:
    """Over a plain socket; and the wire log shows what was asked, and when, on the same monotonic clock."""
    _, host, port, _ = launched.addresses["meter"].split("::")
    before = time.monotonic()
    with socket.create_connection((host, int(port)), timeout=5.0) as client:
        client.sendall(b"MEAS:VOLT:DC?\n")
        shown = float(client.makefile("rb").readline())
    assert shown == pytest.approx(launched.hands.truth("A1 TP1"), rel=1e-3)
    when, data = launched.hands.wire_log("meter")[-1]
    assert data == b"MEAS:VOLT:DC?\n"
    assert before <= when <= time.monotonic()


def test_remote_refusals_carry_the_reason(launched: LaunchedDoubles) -> None:
    """An unknown trimmer, an unknown fault of a cable: mistakes of a file or a command, in the words of the bench."""
    assert issubclass(ControlRefused, FileError)
    with pytest.raises(ControlRefused, match=r"^There is no control 'RV99' here. There are: .*RV41"):
        launched.hands.turn("RV99", 1.0)
    with pytest.raises(ControlRefused, match="unplug"):
        launched.hands.cable("meter", "explode")


def test_numbers_without_end_come_through(launched: LaunchedDoubles) -> None:
    """A blown fuse has infinite ohms, which JSON has no word for."""
    launched.hands.fault("blown fuse")
    assert launched.hands.truth("A1 F1") == float("inf")
    launched.hands.fault("blown fuse", False)
    assert launched.hands.truth("A1 F1") < 1.0


def gone(pid: int) -> bool:
    """True once the process has ended (or is only waiting to be buried)."""
    try:
        with open(f"/proc/{pid}/stat") as stat:
            return stat.read().rpartition(")")[2].split()[0] == "Z"
    except FileNotFoundError:
        return True


@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
def test_child_ends_with_its_parent_however_that_dies() -> None:
    """The parent is killed outright; the child notices that its standard input closed."""
    code = (
        "import time\n"
        "from benchrig.sim_instruments.launch import launch\n"
        "with launch('skerry14') as doubles:\n"
        "    print(doubles.pid, flush=True)\n"
        "    time.sleep(60)\n"
    )
    parent = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE)
    assert parent.stdout is not None
    child = int(parent.stdout.readline())
    parent.kill()
    parent.wait()
    parent.stdout.close()
    assert wait_until(lambda: gone(child))


@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
def test_idle_bench_sleeps() -> None:
    """Processor time of three idle seconds, in clock ticks of a hundredth: a few at most."""
    with launch("skerry14") as doubles:

        def ticks() -> int:
            with open(f"/proc/{doubles.pid}/stat") as stat:
                return sum(map(int, stat.read().rpartition(")")[2].split()[11:13]))

        before = ticks()
        time.sleep(1.0)
        assert ticks() - before <= 10


def test_leaving_the_context_stops_the_child() -> None:
    """Also when the body raised."""
    pids = []

    def use() -> None:
        with launch("skerry14") as doubles:
            pids.append(doubles.pid)
            raise RuntimeError("body")

    with pytest.raises(RuntimeError, match="body"):
        use()
    assert gone(pids[0])


def test_a_bench_that_does_not_exist_says_which_do() -> None:
    """The child's own words reach the caller."""
    with pytest.raises(LaunchFailed, match="skerry14"), launch("atlantis"):
        pass


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_signals_end_it_quietly(number: int) -> None:
    """Exit code 0, nothing on standard error, no terminal path left behind."""
    child = subprocess.Popen(
        [sys.executable, "-m", "benchrig.sim_instruments.serve", "skerry14", "--control"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=os.environ | {SECRET_VARIABLE: "x"},
    )
    assert child.stdout is not None
    rows = []
    while line := child.stdout.readline().strip():
        rows.append(json.loads(line))
    path = next(row["address"] for row in rows if row["kind"] == "serial").removeprefix("serial://")
    assert os.path.exists(path)
    child.send_signal(number)
    _, complaints = child.communicate(timeout=10.0)
    assert child.returncode == 0
    assert complaints == b""
    assert not os.path.lexists(path)
