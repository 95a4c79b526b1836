"""Starts a simulated bench in a child process and stops it for sure.

Rules kept here: the child is tied to the parent by its standard input, so it ends even if the parent is killed;
the secret of the control door goes through the environment, never the command line; addresses are known before
`launch` returns; what goes wrong in the child is told with the child's own words.
"""

from __future__ import annotations

import json
import secrets
import subprocess
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import IO, Any

from benchrig.checkout import in_child

from .control import RemoteHands
from .serve import SECRET_VARIABLE

_STOP_PATIENCE = 5.0  # seconds until a child that was asked to stop is killed


class LaunchFailed(RuntimeError):
    """The child ended before it had served anything; the text holds its last words."""


@dataclass(frozen=True, slots=True)
class LaunchedDoubles:
    """A bench being served. `addresses` maps instrument names to addresses, `kinds` to "tcp", "serial" ..."""

    addresses: Mapping[str, str]
    kinds: Mapping[str, str]
    hands: RemoteHands
    pid: int


@contextmanager
def launch(world_name: str, seed: int = 0, **options: Any) -> Iterator[LaunchedDoubles]:
    """Serve the world called `world_name` in a child process while the context lasts."""
    secret = secrets.token_hex(16)
    words = [f"{name}={json.dumps(value)}" for name, value in options.items()]
    run, environment = in_child("benchrig.sim_instruments.serve")
    command = [*run, world_name, f"--seed={seed}"]
    with tempfile.TemporaryFile() as complaints:
        child = subprocess.Popen(
            [*command, "--control", "--until-eof", *words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=complaints,
            env=environment | {SECRET_VARIABLE: secret},
            start_new_session=True,  # Ctrl-C at the terminal is for the parent; it stops the child in its own time
        )
        try:
            rows = _rows(child, complaints)
            hands = RemoteHands(rows.pop("control")[1], secret)
            try:
                yield LaunchedDoubles(
                    {name: address for name, (_, address) in rows.items()},
                    {name: kind for name, (kind, _) in rows.items()},
                    hands,
                    child.pid,
                )
            finally:
                hands.close()
        finally:
            _stop(child)


def _rows(child: subprocess.Popen[bytes], complaints: IO[bytes]) -> dict[str, tuple[str, str]]:
    assert child.stdout is not None
    rows: dict[str, tuple[str, str]] = {}
    for line in child.stdout:
        if not line.strip():
            return rows
        row = json.loads(line)
        rows[row["name"]] = (row["kind"], row["address"])
    child.wait()
    complaints.seek(0)
    last = complaints.read().decode(errors="replace").strip().splitlines()[-1:]
    raise LaunchFailed(f"The simulated bench did not start: {' '.join(last) or f'exit code {child.returncode}'}")


def _stop(child: subprocess.Popen[bytes]) -> None:
    for pipe in (child.stdin, child.stdout):
        if pipe is not None:
            pipe.close()
    child.terminate()
    try:
        child.wait(_STOP_PATIENCE)
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()
