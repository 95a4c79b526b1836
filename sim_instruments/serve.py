"""A simulated bench in a process of its own: real sockets and pseudo-terminals, one thread, one event loop.

    python -m benchrig.sim_instruments.serve WORLD [--seed N] [--control] [--until-eof] [OPTION=VALUE ...]

Rules kept here: one line of JSON per instrument on standard output, {"name", "kind", "address"}, then an empty
line, then nothing; the process sleeps until something is due; it ends on SIGTERM, SIGINT or, with --until-eof,
when its standard input closes, which is also what happens when its parent dies.
"""

from __future__ import annotations

import argparse
import json
import os
import selectors
import shutil
import signal
import sys
import tempfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import FrameType
from typing import Any

from benchrig.checkout import entry_points
from benchrig.clock import RealClock

from .control import ControlOutlet, bench_verbs
from .outlets import (
    HislipOutlet,
    HttpOutlet,
    Outlet,
    PlusPlusOutlet,
    PtyOutlet,
    Rfc2217Outlet,
    TcpOutlet,
    Vxi11Outlet,
    Watcher,
)
from .world import World

SECRET_VARIABLE = "BENCHRIG_CONTROL_SECRET"
_LONGEST_SLEEP = 60.0  # seconds; only a limit for what the selector takes


NETWORK: Mapping[str, type[TcpOutlet]] = {
    it.kind: it for it in (TcpOutlet, HttpOutlet, Vxi11Outlet, HislipOutlet, PlusPlusOutlet)
}
LINKS = ("tcp", "vxi11", "hislip", "plusplus", "rfc2217")  # what stands in place of sockets; the last, of serial ports


class Server:
    """Serves every double of a world until it is stopped.

    host     loopback address to listen on
    clients  hosts that each socket instrument takes at a time
    secret   opens a control door if given
    link     one of LINKS: what stands in place of raw sockets. LookupError for another
    """

    def __init__(
        self, world: World, *, host: str = "127.0.0.1", clients: int = 1, secret: str = "", link: str = "tcp"
    ) -> None:
        if link not in LINKS:
            raise LookupError(f"There is no link {link!r}. There are: {', '.join(LINKS)}.")
        self.world = world
        self._link = link
        self.stopped = False
        self._watcher = Watcher()
        self._folder = Path(tempfile.mkdtemp(prefix="benchrig-"))
        self._outlets: list[Outlet] = [self._outlet(name, host, clients) for name in world.doubles]
        self._instruments = list(self._outlets)
        self.control = ""
        if secret:
            verbs = bench_verbs(world, self.addresses)
            door = ControlOutlet(world.hands, verbs, secret, self._watcher)
            self._outlets.append(door)
            self.control = door.address
        self._wake_read, self._wake_write = os.pipe()
        for end in (self._wake_read, self._wake_write):
            os.set_blocking(end, False)
        self._watcher.want(self._wake_read, selectors.EVENT_READ, lambda events: self._drain())

    def addresses(self) -> list[dict[str, str]]:
        """Name, kind and address of each instrument."""
        return [{"name": o.name, "kind": o.kind, "address": o.address} for o in self._instruments]

    def run(self) -> None:
        """Serve until `stop`, then take everything down."""
        try:
            while not self.stopped:
                self.step()
        finally:
            self.close()

    def step(self) -> None:
        """Do what is due, then wait for what comes next."""
        now = self.world.clock.now()
        waits = [_LONGEST_SLEEP]
        for outlet in self._outlets:
            outlet.service(now)
            wait = outlet.wait(now)
            if wait is not None:
                waits.append(wait)
        self._watcher.wait(min(waits))

    def stop(self) -> None:
        """End `run`; may be called from another thread or a signal handler."""
        self.stopped = True
        os.write(self._wake_write, b".")

    def stop_on_eof(self, fd: int) -> None:
        """End `run` when `fd` closes at its far end."""

        def read(events: int) -> None:
            if not os.read(fd, 4096):
                self._watcher.forget(fd)
                self.stopped = True

        self._watcher.want(fd, selectors.EVENT_READ, read)

    def listen(self, fd: int, heard: Callable[[str], None]) -> None:
        """Call `heard` with each line that comes on `fd`, between two steps; its far end may close it."""
        partial = b""

        def read(events: int) -> None:
            nonlocal partial
            data = os.read(fd, 4096)
            if not data:
                self._watcher.forget(fd)
            *lines, partial = (partial + data).split(b"\n")
            for line in lines:
                heard(line.decode(errors="replace"))

        self._watcher.want(fd, selectors.EVENT_READ, read)

    def close(self) -> None:
        """Take every socket and terminal down. Safe to call twice."""
        for outlet in self._outlets:
            outlet.close()
        self._outlets = []
        self._watcher.close()
        shutil.rmtree(self._folder, ignore_errors=True)
        for end in (self._wake_read, self._wake_write):
            if end >= 0:
                os.close(end)
        self._wake_read = self._wake_write = -1

    def _drain(self) -> None:
        os.read(self._wake_read, 64)

    def _outlet(self, name: str, host: str, clients: int) -> Outlet:
        cable, kind = self.world.double(name), self.world.served[name]
        if kind in ("serial", "visa serial") and self._link == Rfc2217Outlet.kind:
            return Rfc2217Outlet(name, cable, self._watcher, host, clients)
        network = NETWORK.get(self._link if kind == "tcp" and self._link in NETWORK else kind)
        if network is not None:
            return network(name, cable, self._watcher, host, clients)
        return PtyOutlet(name, cable, self._watcher, self._folder, kind)


def world_factory(name: str) -> Callable[..., World]:
    """The installed factory of the world called `name`. Raises LookupError with the names there are."""
    found = entry_points("benchrig.doubles")
    if name not in found:
        raise LookupError(f"There is no simulated bench {name!r}. Installed: {', '.join(sorted(found)) or 'none'}.")
    factory: Callable[..., World] = found[name].load()
    return factory


def serve_world(
    world_name: str,
    seed: int = 0,
    *,
    control: bool = False,
    until_eof: bool = False,
    clients: int = 1,
    options: dict[str, Any] | None = None,
) -> None:
    """Serve the world called `world_name` on loopback, print its addresses as JSON lines, run until stopped.

    Call it from the main thread. With `control` the secret is taken out of the environment and a further line of
    kind "control" is printed.
    """
    world = world_factory(world_name)(RealClock(), seed=seed, **(options or {}))
    secret = os.environ.pop(SECRET_VARIABLE, "") if control else ""
    server = Server(world, clients=clients, secret=secret)

    def stop(number: int, frame: FrameType | None) -> None:
        server.stop()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, stop)
    if until_eof:
        server.stop_on_eof(sys.stdin.fileno())
    rows = server.addresses()
    if server.control:
        rows.append({"name": "control", "kind": "control", "address": server.control})
    sys.stdout.write("".join(json.dumps(row) + "\n" for row in rows) + "\n")
    sys.stdout.flush()
    server.run()


def _value(text: str) -> Any:
    try:
        return json.loads(text)
    except ValueError:
        return text


def main(arguments: Sequence[str] | None = None) -> None:
    """The command line of the child process."""
    parser = argparse.ArgumentParser(prog="benchrig.sim_instruments.serve", description="Serve a simulated bench.")
    parser.add_argument("world")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--clients", type=int, default=1)
    parser.add_argument("--control", action="store_true")
    parser.add_argument("--until-eof", action="store_true")
    parser.add_argument("options", nargs="*", metavar="OPTION=VALUE")
    chosen = parser.parse_intermixed_args(arguments)  # options may follow flags
    options = {name: _value(text) for name, _, text in (option.partition("=") for option in chosen.options)}
    serve_world(
        chosen.world,
        chosen.seed,
        control=chosen.control,
        until_eof=chosen.until_eof,
        clients=chosen.clients,
        options=options,
    )


if __name__ == "__main__":
    main()
