"""A soak whose page is crowded out: thousands of idle connections, hundreds of half-sent requests. Loopback only."""

import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from contextlib import contextmanager

import pytest
from rail_soak import wait_for, write_bench, write_soak

from benchrig.dashboard.beside import PageBeside
from benchrig.dashboard.bounded import BACKLOG, MOST_WAITING
from benchrig.dashboard.server import DashboardPage
from benchrig.instruments import load_stand_in
from benchrig.session import notices as n

IDLE = 5000


@contextmanager
def crowd(port, count, first=b""):
    """`count` connections from this machine, each with `first` sent and then silent."""
    viewers = []
    try:
        for _ in range(count):
            viewer = socket.create_connection(("127.0.0.1", port), timeout=10.0)
            viewers.append(viewer)
            if first:
                viewer.send(first)
        yield viewers
    finally:
        for viewer in viewers:
            viewer.close()


def descriptors(pid):
    return len(os.listdir(f"/proc/{pid}/fd"))


def trickle(slow: socket.socket) -> None:
    """A request that never becomes whole, a letter at a time."""
    while True:
        slow.send(b"G")
        time.sleep(0.05)


def test_five_thousand_idle_connections_leave_a_soak_untouched_and_its_end_switches_the_supply_off(tmp_path):
    """The guarding process gets not one descriptor more; the rail goes at the end, and the supply with it."""
    with load_stand_in("launch")("skerry14", 0) as doubles:
        write_bench(tmp_path / "bench.toml", doubles)
        write_soak(tmp_path / "rail.toml")
        command = [sys.executable, "-m", "benchrig", "soak", "rail.toml", "--bench", "bench.toml", "--absent", "--json"]
        out, err = tmp_path / "out.jsonl", tmp_path / "err.txt"
        with out.open("w") as shown, err.open("w") as wrong:
            soak = subprocess.Popen(
                [*command, "--dashboard", "--store", "record.sqlite"], cwd=tmp_path, stdout=shown, stderr=wrong
            )
        try:
            wait_for(lambda: '"kind": "soak"' in out.read_text())
            port = int(re.search(r"http://127\.0\.0\.1:(\d+)/", err.read_text()).group(1))
            before = descriptors(soak.pid)
            with crowd(port, IDLE):
                assert descriptors(soak.pid) <= before + 1
                with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=10) as page:
                    assert page.status == 200
                taken = out.read_text().count('"kind": "soak"')
                wait_for(lambda: out.read_text().count('"kind": "soak"') > taken + 2)
                doubles.hands.fault("dead +12 V")
                assert soak.wait(60) == 1, err.read_text()
        finally:
            soak.kill()
            soak.wait()
    assert "Supply switched off" in out.read_text()
    assert "Traceback" not in err.read_text()


def test_hundreds_of_half_sent_requests_lock_no_viewer_out():
    with DashboardPage() as page:
        port = int(page.address.rsplit(":", 1)[1].strip("/"))
        with crowd(port, 310, b"GET /live HTTP/1.1\r\nHost: loc") as viewers:
            for path in ("", "metrics", "dashboard.js"):
                with urllib.request.urlopen(page.address + path, timeout=5) as answer:
                    assert answer.status == 200
            open_still = 0
            for viewer in viewers:
                viewer.setblocking(False)
                try:
                    open_still += viewer.recv(1) != b""
                except BlockingIOError:
                    open_still += 1
                except OSError:
                    pass
            assert open_still <= MOST_WAITING + BACKLOG


def test_a_request_that_is_sent_letter_by_letter_is_ended(monkeypatch):
    """Half a second here, five at the bench."""
    monkeypatch.setattr("benchrig.dashboard.bounded.HEADER", 0.5)
    with DashboardPage() as page:
        port = int(page.address.rsplit(":", 1)[1].strip("/"))
        with socket.create_connection(("127.0.0.1", port)) as slow, pytest.raises(OSError, match=r"reset|pipe"):
            trickle(slow)


def test_a_viewer_who_reads_nothing_is_let_go(monkeypatch):
    """Half a second here, thirty at the bench; words that are new each time, until its window is full."""
    monkeypatch.setattr("benchrig.dashboard.bounded.STALLED", 0.5)
    monkeypatch.setattr("benchrig.dashboard.broadcast.Crowd.pace", 1000.0)
    with DashboardPage() as page, socket.socket() as deaf:
        deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        deaf.connect(("127.0.0.1", int(page.address.rsplit(":", 1)[1].strip("/"))))
        deaf.send(b"GET /live HTTP/1.1\r\nHost: localhost\r\n\r\n")
        connections = page._server.server_state.connections
        wait_for(lambda: connections)

        def talk():
            for i in range(100):
                page.show(n.Said("s", f"{'x' * 250} {time.monotonic()} {i}", "warning"))
                time.sleep(0.005)  # each is an event of its own
            return not connections

        wait_for(talk)


def test_the_page_of_a_program_that_was_killed_says_so(tmp_path):
    """Who looks at it must not believe that somebody watches."""
    program = (
        "import sys, time\n"
        "from benchrig.dashboard.beside import PageBeside\n"
        "page = PageBeside('127.0.0.1', 0, print)\n"
        "print(page.address, page.process, flush=True)\n"
        "time.sleep(60)\n"
    )
    with subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, text=True) as guard:
        address, process = guard.stdout.readline().split()
        with urllib.request.urlopen(address + "live", timeout=10) as viewer:
            viewer.readline()
            guard.send_signal(signal.SIGKILL)
            assert b"ended without a word" in viewer.read()
    wait_for(lambda: not os.path.exists(f"/proc/{process}"))


def test_a_page_that_is_killed_is_said_once_and_holds_nothing_up():
    said = []
    with PageBeside("127.0.0.1", 0, said.append) as page:
        os.kill(page.process, signal.SIGKILL)
        for _ in range(2000):
            page.show(n.Said("s", "words", "warning"))
            if said:
                break
            time.sleep(0.01)
    assert len(said) == 1
    assert "job goes on" in said[0]
