"""Readings a second through driver, log and VISA link, over those of a bare pyvisa `query` loop on the same double.

    python benchmarks/poll_rate.py [--seconds 5]

The server is a process of its own, so that it takes no time from the loop that is measured. All ways ask it the same
question, in short turns with a connection of their own, so that whatever else the machine does, and on which core it
puts whom, meets all of them. Prints the ratios of the medians. A meter that needs 2 ms and one that answers at once are
tried, the second being the harder one, and the simulated bench meter with its own driver.
"""

from __future__ import annotations

import multiprocessing
import socket
import statistics
import threading
import time
from multiprocessing.connection import Connection
from typing import Any

import pyvisa
from figures import Told, options

from benchrig.bench import Attached, InstrumentSpec, readings
from benchrig.bench.source import ThreadedSource
from benchrig.clock import RealClock
from benchrig.instruments import Function, Identity, load_stand_in
from benchrig.links.scpi_port import ScpiPort
from benchrig.readings import Reading

TURNS = 25
ANSWER = b"+1.23456789E+00\n"


def serve(ready: Connection, think: float) -> None:
    """Answer each line after `think` seconds."""
    server = socket.create_server(("127.0.0.1", 0))
    ready.send(server.getsockname()[1])
    while True:
        client, _ = server.accept()
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        threading.Thread(target=talk, args=(client, think), daemon=True).start()


def talk(client: socket.socket, think: float) -> None:
    with client:
        while data := client.recv(4096):
            for line in data.splitlines():
                if line.startswith(b"*IDN?"):
                    client.sendall(b"LANTERN,BENCH,1,1.0\n")
                elif line.endswith(b"?"):
                    if think:
                        time.sleep(think)
                    client.sendall(ANSWER)


class Meter:
    """The least a driver can be: the question, the number, the reading."""

    def __init__(self, link: Any, clock: Any, options: Any) -> None:
        self.clock = clock
        self.port = ScpiPort(link, clock)

    def identify(self) -> Identity:
        return Identity(*self.port.identify())

    def restore(self) -> None: ...

    def release(self) -> None: ...

    def read(self, deadline: float) -> Reading:
        found = self.port.ask_number("READ?")
        return Reading(found.value, "V", self.clock.now(), text=found.text)


def bare(port: int, seconds: float) -> float:
    """Readings a second of pyvisa alone."""
    meter: Any = pyvisa.ResourceManager("@py").open_resource(
        f"TCPIP::127.0.0.1::{port}::SOCKET", read_termination="\n", write_termination="\n"
    )
    meter.query("*IDN?")
    count, end = 0, time.perf_counter() + seconds
    while time.perf_counter() < end:
        float(meter.query("READ?"))
        count += 1
    meter.close()
    return count / seconds


def direct(port: int, seconds: float) -> float:
    """Readings a second of our driver, log and link, in one thread."""
    attached, clock = attach(port)

    def loop(meter: Meter) -> int:
        count, end = 0, time.perf_counter() + seconds
        while time.perf_counter() < end:
            meter.read(clock.now() + 5.0)
            count += 1
        return count

    count = attached.use(loop)
    attached.close()
    return count / seconds


def polled(port: int, seconds: float) -> float:
    """Readings a second of the poller's thread, while another one fetches them, as a session reads."""
    attached, clock = attach(port)
    source = readings(attached)
    assert isinstance(source, ThreadedSource)
    count, end = 0, time.perf_counter() + seconds
    while time.perf_counter() < end:
        count += isinstance(source.next(clock.now() + 1.0), Reading)
    source.close()
    attached.close()
    return (count + source.skipped) / seconds


def attach(port: int) -> tuple[Attached, RealClock]:
    clock = RealClock()
    attached = Attached(InstrumentSpec("meter", "-", f"TCPIP::127.0.0.1::{port}::SOCKET"), clock, factory=Meter)
    attached.open()
    return attached, clock


def compare(think: float, seconds: float, told: Told) -> tuple[float, float]:
    """Ratios to the bare loop: in one thread, and through the poller."""
    here, there = multiprocessing.Pipe()
    server = multiprocessing.Process(target=serve, args=(there, think), daemon=True)
    server.start()
    port = here.recv()
    ways = (bare, direct, polled)
    rates = [[way(port, seconds / TURNS) for way in ways] for _ in range(TURNS)]
    server.terminate()
    server.join()
    base, ours, thread = (statistics.median(column) for column in zip(*rates, strict=True))
    told.line(
        f"meter of {think * 1e3:g} ms: bare pyvisa {base:.0f}/s, one thread {ours:.0f}/s, ratio {ours / base:.2f},"
        f" poller {thread:.0f}/s, ratio {thread / base:.2f}"
    )
    return ours / base, thread / base


def served(cycles: float, seconds: float, told: Told) -> float:
    """The ratio on the simulated bench meter, with its own driver, at so many power line cycles; one host at a time."""
    with load_stand_in("launch")("skerry14", 0) as doubles:
        address = doubles.addresses["meter"]
        rates: list[list[float]] = [[], []]
        for _ in range(3):
            rates[0].append(_bare_served(address, cycles, seconds / 3))
            rates[1].append(_ours_served(address, cycles, seconds / 3))
    base, thread = (statistics.median(found) for found in rates)
    told.line(
        f"bench meter at {cycles:g} PLC: bare pyvisa {base:.0f}/s, poller {thread:.0f}/s, ratio {thread / base:.2f}"
    )
    return thread / base


def _bare_served(address: str, cycles: float, seconds: float) -> float:
    resource: Any = pyvisa.ResourceManager("@py").open_resource(address, read_termination="\n", write_termination="\n")
    resource.write("CONF:VOLT:DC 10")
    resource.write(f"VOLT:NPLC {cycles:g}")
    resource.query("*OPC?")
    count, end = 0, time.perf_counter() + seconds
    while time.perf_counter() < end:
        float(resource.query("READ?"))
        count += 1
    resource.close()
    return count / seconds


def _ours_served(address: str, cycles: float, seconds: float) -> float:
    """As a session reads: driver, log, link, poller."""
    clock = RealClock()
    attached = Attached(InstrumentSpec("meter", "meter-scpi", address), clock)
    attached.open()
    attached.use(lambda meter: meter.select(Function.DC_VOLTAGE, expected=5.0, power_line_cycles=cycles))
    source = readings(attached)
    assert isinstance(source, ThreadedSource)
    count, end = 0, time.perf_counter() + seconds
    while time.perf_counter() < end:
        count += isinstance(source.next(clock.now() + 1.0), Reading)
    source.close()
    attached.close()
    return (count + source.skipped) / seconds


def main() -> None:
    args = options(__doc__, seconds=5.0)
    told = Told(args.json)
    alone: dict[str, float] = {}
    ratios: dict[str, float] = {}
    for name, think in (("2 ms", 0.002), ("at once", 0.0)):
        alone[name], ratios[name] = compare(think, args.seconds, told)
    for cycles in (1.0, 0.02):
        ratios[f"{cycles:g} PLC"] = served(cycles, args.seconds, told)
    told.end({"one thread over bare": alone, "poller over bare": ratios})


if __name__ == "__main__":
    main()
