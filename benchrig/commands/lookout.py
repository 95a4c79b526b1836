"""A second process beside a soak: it tells whoever the bench file names when the watch itself is no more.

It touches no instrument and writes no record; it only listens for beats, and tells. `alarms.heartbeat` has its rules.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

import click

from ..alarms import Alarms
from ..alarms.build_callers import policy_of
from ..alarms.heartbeat import Beats, listen
from ..bench import Bench, load_bench
from ..checkout import in_child
from ..clock import Clock, RealClock
from ..errors import BenchrigError
from .alarms import everybody


@contextmanager
def lookout(bench: Bench, clock: Clock, serial: str, record: Path) -> Iterator[Beats]:
    """The beats that the watch gives while it runs; they go nowhere where nobody would be told.

    An end that was meant (`BenchrigError`, a signal) takes its leave; any other exception does not.
    """
    pipe = _started(bench, serial, record) if bench.alarms.callers else None
    beats = Beats(pipe, clock, lambda words: click.echo(f"benchrig: {words}", err=True))
    try:
        yield beats
    except (BenchrigError, KeyboardInterrupt, SystemExit):
        beats.leave()
        raise
    except BaseException:
        beats.close()
        raise
    beats.leave()


def _started(bench: Bench, serial: str, record: Path) -> IO[bytes] | None:
    """Its standard input. In a session of its own, so that a terminal that closes does not take it along."""
    run, environment = in_child("benchrig.commands.lookout")
    command = [*run, bench.file, serial, str(record)]
    return subprocess.Popen(command, stdin=subprocess.PIPE, bufsize=0, start_new_session=True, env=environment).stdin


def main() -> None:
    """The process: bench file, serial number and record are its words, beats its standard input."""
    file, serial, record = sys.argv[1:]
    bench, clock = load_bench(Path(file)), RealClock()
    policy = policy_of(bench.alarms)
    alarms = Alarms(everybody(bench.alarms), clock, policy=policy, record=Path(record), unit_serial=serial)
    listen(sys.stdin.fileno(), alarms, clock)
    alarms.close()


if __name__ == "__main__":
    main()
