"""Points a second of a block read through our port, over those of a bare pyvisa `query_binary_values`; and the memory.

Run it:  python benchmarks/waveform_rate.py

1 M points of 2 bytes: the promise is 0.8 or more of the bare rate. 10 M points: the memory that a transfer needs at its
peak, over the bytes of the record; the promise is 2.5 or less.
"""

from __future__ import annotations

import multiprocessing
import resource
import socket
import statistics
import time
from multiprocessing.connection import Connection
from typing import Any

import numpy as np
import pyvisa

from benchrig.clock import RealClock
from benchrig.links import open_link
from benchrig.links.logged import LoggedLink
from benchrig.links.scpi_port import ScpiPort

TURNS = 9


def serve(ready: Connection) -> None:
    server = socket.create_server(("127.0.0.1", 0))
    ready.send(server.getsockname()[1])
    while True:
        client, _ = server.accept()
        with client:
            while data := client.recv(4096):
                points = int(data.split()[-1])
                body = (np.arange(points) % 65536).astype("<u2").tobytes()
                client.sendall(b"#9%09d" % len(body) + body + b"\n")


def bare_once(instrument: Any, points: int) -> float:
    start = time.perf_counter()
    values = instrument.query_binary_values(f"DATA? {points}", datatype="H", container=np.array)
    assert len(values) == points
    return points / (time.perf_counter() - start)


def ours_once(port: ScpiPort, points: int) -> float:
    start = time.perf_counter()
    values = np.frombuffer(port.ask_block(f"DATA? {points}"), "<u2")
    assert len(values) == points
    return points / (time.perf_counter() - start)


def peak_growth(port_number: int, points: int, told: Connection) -> None:
    """In a process of its own: bytes by which the resident set grew at its peak, over the record's bytes."""
    port = open_port(port_number)
    ours_once(port, 1000)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    ours_once(port, points)
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    told.send(grown * 1024 / (2 * points))


def open_port(number: int) -> ScpiPort:
    clock = RealClock()
    return ScpiPort(LoggedLink(open_link(f"TCPIP::127.0.0.1::{number}::SOCKET", clock), clock), clock, timeout=10.0)


def main() -> None:
    here, there = multiprocessing.Pipe()
    server = multiprocessing.Process(target=serve, args=(there,), daemon=True)
    server.start()
    number = here.recv()
    instrument: Any = pyvisa.ResourceManager("@py").open_resource(
        f"TCPIP::127.0.0.1::{number}::SOCKET", read_termination="\n", write_termination="\n", timeout=30000
    )
    bare = [bare_once(instrument, 1_000_000) for _ in range(TURNS)]
    instrument.close()
    port = open_port(number)
    ours = [ours_once(port, 1_000_000) for _ in range(TURNS)]
    port.link.close()
    base, rate = statistics.median(bare), statistics.median(ours)
    print(f"1 M points: bare pyvisa {base / 1e6:.1f} M/s, ours {rate / 1e6:.1f} M/s, ratio {rate / base:.2f}")
    child = multiprocessing.Process(target=peak_growth, args=(number, 10_000_000, there))
    child.start()
    print(f"10 M points: peak memory {here.recv():.2f} of the record's bytes")
    child.join()
    server.terminate()
    server.join()


if __name__ == "__main__":
    main()
