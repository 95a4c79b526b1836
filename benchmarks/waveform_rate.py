"""Points a second of a block read through our port, over those of a bare pyvisa `query_binary_values`; and the memory.

    python benchmarks/waveform_rate.py [--turns 9]

1 M points of 2 bytes, ours and the bare way in turns. 10 M points: the memory that a transfer needs at its peak, over
the bytes of the record.
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
from figures import Told, options

from benchrig.clock import RealClock
from benchrig.links import open_link
from benchrig.links.logged import LoggedLink
from benchrig.links.scpi_port import ScpiPort


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


def bare_once(number: int, points: int) -> float:
    """Points a second of pyvisa alone, on a connection of its own."""
    instrument: Any = pyvisa.ResourceManager("@py").open_resource(
        f"TCPIP::127.0.0.1::{number}::SOCKET", read_termination="\n", write_termination="\n", timeout=30000
    )
    start = time.perf_counter()
    values = instrument.query_binary_values(f"DATA? {points}", datatype="H", container=np.array)
    took = time.perf_counter() - start
    instrument.close()
    assert len(values) == points
    return points / took


def ours_once(number: int, points: int) -> float:
    """Points a second through our link, log and port, on a connection of its own."""
    clock = RealClock()
    link = LoggedLink(open_link(f"TCPIP::127.0.0.1::{number}::SOCKET", clock), clock)
    port = ScpiPort(link, clock, timeout=10.0)
    start = time.perf_counter()
    values = np.frombuffer(port.ask_block(f"DATA? {points}"), "<u2")
    took = time.perf_counter() - start
    link.close()
    assert len(values) == points
    return points / took


def peak_growth(port_number: int, points: int, told: Connection) -> None:
    """In a process of its own: bytes by which the resident set grew at its peak, over the record's bytes."""
    ours_once(port_number, 1000)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    ours_once(port_number, points)
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    told.send(grown * 1024 / (2 * points))


def measure(turns: int) -> tuple[float, float, float]:
    """M points a second of bare pyvisa and of ours; peak memory of 10 M points over the record's bytes."""
    here, there = multiprocessing.Pipe()
    server = multiprocessing.Process(target=serve, args=(there,), daemon=True)
    server.start()
    number = here.recv()
    rates = [[way(number, 1_000_000) for way in (bare_once, ours_once)] for _ in range(turns)]
    bare, ours = (statistics.median(column) for column in zip(*rates, strict=True))
    child = multiprocessing.Process(target=peak_growth, args=(number, 10_000_000, there))
    child.start()
    peak = here.recv()
    child.join()
    server.terminate()
    server.join()
    return bare / 1e6, ours / 1e6, peak


def main() -> None:
    args = options(__doc__, turns=9)
    told = Told(args.json)
    base, rate, peak = measure(args.turns)
    told.line(f"1 M points: bare pyvisa {base:.1f} M/s, ours {rate:.1f} M/s, ratio {rate / base:.2f}")
    told.line(f"10 M points: peak memory {peak:.2f} of the record's bytes")
    told.end({"over bare": rate / base, "peak memory over the record": peak})


if __name__ == "__main__":
    main()
