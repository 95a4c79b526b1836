"""A PostgreSQL server of our own, in a folder of our own, on a free port of this machine."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

NOBODY = "postgres"  # who runs it where we are root: the server refuses root


def binaries() -> Path:
    """Where initdb and its kind are. Raises FileNotFoundError that says what to install."""
    found = shutil.which("initdb")
    if found:
        return Path(found).resolve().parent
    places = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    if not places:
        raise FileNotFoundError("These tests need a PostgreSQL server: apt-get install postgresql")
    return places[-1].parent


class Server:
    """A cluster that can be stopped and started again."""

    def __init__(self, folder: Path) -> None:
        self._data = folder / "data"
        self._folder = folder
        self._bin = binaries()
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = free.getsockname()[1]
        if os.geteuid() == 0:
            shutil.chown(folder, NOBODY)
        self._run("initdb", "-D", self._data, "-A", "trust", "-U", "bench", "--no-sync", "-E", "UTF8")

    @property
    def url(self) -> str:
        return f"postgresql://bench@127.0.0.1:{self.port}/postgres"

    def start(self, connections: int = 50) -> None:
        words = f"-p {self.port} -k {self._folder} -c listen_addresses=127.0.0.1 -c fsync=off"
        words += f" -c max_connections={connections}"
        self._run("pg_ctl", "-D", self._data, "-w", "-l", self._folder / "log", "-o", words, "start")

    def stop(self) -> None:
        self._run("pg_ctl", "-D", self._data, "-w", "-m", "immediate", "stop")

    def _run(self, program: str, *words: object) -> None:
        user = NOBODY if os.geteuid() == 0 else None
        done = subprocess.run(
            [self._bin / program, *map(str, words)],
            user=user,
            cwd=self._folder,
            stdout=subprocess.PIPE if program != "pg_ctl" else subprocess.DEVNULL,
            stderr=subprocess.STDOUT if program != "pg_ctl" else subprocess.DEVNULL,
            text=True,
            check=False,
        )
        if done.returncode:
            raise RuntimeError(f"{program} failed: {done.stdout}")


@contextmanager
def postgres_server(connections: int = 50) -> Iterator[Server]:
    """Running; gone afterwards."""
    with tempfile.TemporaryDirectory(prefix="benchrig-pg-") as folder:
        os.chmod(folder, 0o755)
        server = Server(Path(folder))
        server.start(connections)
        try:
            yield server
        finally:
            server.stop()
