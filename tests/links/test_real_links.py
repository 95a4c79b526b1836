"""Real sockets and real pseudo-terminals: bytes in, bytes out, silence is not loss, loss is not silence."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator

import pytest
from far_ends import HANG_UP, PtyEnd, TcpEnd, pty_end, tcp_end

from benchrig.clock import RealClock
from benchrig.errors import LinkError, LinkLost, LinkTimeout
from benchrig.links import LineSettings, Link, open_link, visa
from benchrig.links.addresses import SocketAddress, parse_address

CLOCK = RealClock()


def echo(line: bytes) -> bytes | None:
    return HANG_UP if line == b"bye" else line + b"\n"


@pytest.fixture
def server() -> Iterator[TcpEnd]:
    with tcp_end(echo) as end:
        yield end


@pytest.fixture
def port() -> Iterator[PtyEnd]:
    with pty_end(echo) as end:
        yield end


def soon() -> float:
    return CLOCK.now() + 5.0


def read_until(link: Link, count: int) -> bytes:
    data = b""
    deadline = soon()
    while len(data) < count and CLOCK.now() < deadline:
        data += link.read(deadline)
    return data


def cpu(work: Callable[[], object]) -> float:
    before = time.process_time()
    work()
    return time.process_time() - before


def test_letter_case_in_an_address_does_not_matter(server: TcpEnd, port: PtyEnd) -> None:
    """What the bench file takes, the VISA library must be given in the case that it takes."""
    for address in (server.address.lower(), f"asrl{port.path}::instr", f"ASRL{port.path}"):
        link = open_link(address, CLOCK)
        link.write(b"here\n")
        assert read_until(link, 5) == b"here\n"
        link.close()


def test_bytes_pass_a_socket_unchanged_both_ways(server: TcpEnd) -> None:
    link = open_link(server.address, CLOCK)
    every = bytes(value for value in range(256) if value != 10) + b"\n"
    link.write(every)
    assert read_until(link, 256) == every.strip() + b"\n"
    assert link.address == server.address
    link.close()


def test_silence_on_a_socket_is_nothing_at_the_deadline_and_costs_no_processor_time(server: TcpEnd) -> None:
    link = open_link(server.address, CLOCK)
    deadline = CLOCK.now() + 0.3
    assert cpu(lambda: link.read(deadline)) < 0.1
    assert CLOCK.now() >= deadline
    assert link.read(CLOCK.now() - 1.0) == b""
    link.close()


def test_a_far_end_that_closes_is_lost_at_once_and_stays_lost(server: TcpEnd) -> None:
    link = open_link(server.address, CLOCK)
    link.write(b"one\nbye\n")
    assert read_until(link, 4) == b"one\n"
    far = CLOCK.now() + 60.0
    with pytest.raises(LinkLost) as caught:
        link.read(far)
    assert CLOCK.now() < far - 50.0
    assert caught.value.address == server.address
    for again in (lambda: link.read(far), lambda: link.write(b"x")):
        with pytest.raises(LinkLost):
            again()
    link.close()
    link.close()


def test_a_refused_connection_is_an_error_at_opening_with_a_cure() -> None:
    with socket.create_server(("127.0.0.1", 0)) as free:
        number = free.getsockname()[1]
    with pytest.raises(LinkError, match="nothing listens") as caught:
        open_link(f"TCPIP::127.0.0.1::{number}::SOCKET", CLOCK)
    assert "5025" in caught.value.next_step


def test_an_unknown_host_is_said_to_be_unknown() -> None:
    with pytest.raises(LinkError, match="host name is not known"):
        open_link("TCPIP::no-such-host.invalid::5025::SOCKET", CLOCK)


def test_a_far_end_that_takes_nothing_is_a_timeout(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchrig.links.streams.WRITE_TIMEOUT", 0.05)
    with socket.create_server(("127.0.0.1", 0)) as deaf:
        link = open_link(f"TCPIP::127.0.0.1::{deaf.getsockname()[1]}::SOCKET", CLOCK)
        with pytest.raises(LinkTimeout, match="does not take"):
            link.write(bytes(64 << 20))
        link.close()


@pytest.mark.parametrize("form", ["ASRL{}::INSTR", "serial://{}?baud=2400&dtr=1&rts=0"])
def test_bytes_pass_a_serial_line_and_a_pulled_one_is_lost_at_once(form: str, port: PtyEnd) -> None:
    link = open_link(form.format(port.path), CLOCK)
    link.write(b"\x00\xff\x81 hello\n")
    assert read_until(link, 10) == b"\x00\xff\x81 hello\n"
    deadline = CLOCK.now() + 0.2
    assert cpu(lambda: link.read(deadline)) < 0.1
    port.unplug()
    with pytest.raises(LinkLost):
        link.read(CLOCK.now() + 60.0)
    with pytest.raises(LinkLost):
        link.write(b"x")
    link.close()


@pytest.mark.parametrize("form", ["ASRL{}::INSTR", "serial://{}"])
def test_what_came_before_the_port_was_opened_is_not_handed_out(form: str, port: PtyEnd) -> None:
    port.push(b"old frame")
    link = open_link(form.format(port.path), CLOCK)
    port.push(b"new frame")
    assert read_until(link, 9) == b"new frame"
    link.close()


@pytest.mark.parametrize(("first", "second"), [("serial://{}", "ASRL{}::INSTR"), ("ASRL{}::INSTR", "serial://{}")])
def test_a_port_in_use_is_refused_and_free_after_closing(first: str, second: str, port: PtyEnd) -> None:
    holder = open_link(first.format(port.path), CLOCK)
    for form in (first, second):
        with pytest.raises(LinkError, match="another program holds"):
            open_link(form.format(port.path), CLOCK)
    holder.close()
    open_link(second.format(port.path), CLOCK).close()


def test_a_whole_backlog_is_drained(port: PtyEnd) -> None:
    link = open_link(f"serial://{port.path}", CLOCK)
    for _ in range(15):
        port.push(b"x" * 273)
    assert len(read_until(link, 4095)) == 4095
    assert link.read(CLOCK.now()) == b""
    link.close()


@pytest.mark.parametrize("form", ["ASRL{}::INSTR", "serial://{}"])
@pytest.mark.parametrize(
    ("path", "words"),
    [("/dev/ttyNOPE9", "no such port"), ("/tmp", "folder"), ("/dev/null", "not a serial port")],
)
def test_what_is_no_port_is_named(form: str, path: str, words: str) -> None:
    with pytest.raises(LinkError, match=words) as caught:
        open_link(form.format(path), CLOCK)
    assert caught.value.next_step


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody who may not")
def test_a_port_without_permission_names_the_cure(port: PtyEnd) -> None:
    os.chmod(port.path, 0o600)
    code = (
        "import os, sys; sys.path[:0] = eval(sys.argv[2]); from benchrig.links import open_link, opening, ports;"
        "from benchrig.clock import RealClock; from benchrig.errors import LinkError; import serial; os.setuid(65534)\n"
        "try: open_link(sys.argv[1], RealClock())\nexcept LinkError as error: print(error)"
    )
    run = [sys.executable, "-c", code, f"serial://{port.path}", repr(sys.path)]
    assert "dialout" in subprocess.run(run, capture_output=True, text=True, check=True).stdout


def test_line_settings_are_taken_from_the_driver_and_the_address(port: PtyEnd) -> None:
    import termios

    link = open_link(f"serial://{port.path}?baud=19200", CLOCK, LineSettings(baud=2400, stop_bits=2))
    settings = termios.tcgetattr(port.master)
    assert settings[4] == termios.B19200
    assert settings[2] & termios.CSTOPB
    link.close()


@pytest.mark.parametrize(("name", "module"), [("TCPIP::h::1::SOCKET", "pyvisa"), ("serial:///dev/x", "serial")])
def test_a_missing_package_is_named_with_the_command_that_brings_it(name: str, module: str) -> None:
    code = (
        f"import sys; sys.modules[{module!r}] = None; import benchrig.links.visa as v;"
        "import socket; socket.getaddrinfo = lambda *a: []\n"
        "from benchrig.links import open_link; from benchrig.clock import RealClock\n"
        "from benchrig.errors import LinkError\n"
        f"try: open_link({name!r}, RealClock())\nexcept LinkError as error: print(error)"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "pip install py" in run.stdout


def test_nothing_heavy_is_imported_before_a_link_needs_it() -> None:
    heavy = "{'pyvisa', 'serial', 'pydantic'}"
    code = f"import benchrig.links, benchrig.bench, sys; sys.exit(bool({heavy} & set(sys.modules)))"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_a_host_that_does_not_answer_the_connection_is_given_up_in_time() -> None:
    """Asleep, or behind a firewall: a server whose queue is full drops what comes, as those do."""
    with socket.socket() as server:
        server.bind(("127.0.0.1", 0))
        server.listen(0)
        waiting = [socket.socket() for _ in range(4)]
        for one in waiting:
            one.setblocking(False)
            one.connect_ex(server.getsockname())
        address = parse_address(f"TCPIP::127.0.0.1::{server.getsockname()[1]}::SOCKET")
        assert isinstance(address, SocketAddress)
        before = CLOCK.now()
        with pytest.raises(LinkError, match=r"no answer to the connection.*is on, on this network"):
            visa.open_socket(address, CLOCK, timeout=0.3)
        assert CLOCK.now() - before < 3.0
        for one in waiting:
            one.close()
