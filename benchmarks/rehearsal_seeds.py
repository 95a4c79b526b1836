"""The whole rehearsal as a user starts it, on a real terminal of 80 by 24, over sockets and a pseudo-terminal, by seed.

    python benchmarks/rehearsal_seeds.py [--runs 10] [--first 0] [--beside 4]

`beside` run at once; most of the time goes by in waiting. The record of each is asked afterwards: exit code, steps
whose setting was inside by the simulated unit's own truth, and outside. Seconds are from start to end of the program.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import termios
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from figures import Told, options, percentile

from benchrig.records import History

PROGRAM = Path(sys.executable).with_name("benchrig")
PATIENCE = 240.0  # s


@dataclass(frozen=True, slots=True)
class Ended:
    """One rehearsal: steps whose truth was inside, and outside."""

    seed: int
    exit_code: int
    seconds: float
    inside: int
    outside: int


def rehearsed(seed: int) -> Ended:
    with tempfile.TemporaryDirectory() as folder:
        record = Path(folder) / "record.sqlite"
        began = time.monotonic()
        code = on_a_terminal([str(PROGRAM), "rehearse", "--seed", str(seed), "--store", str(record)])
        took = time.monotonic() - began
        with History(record) as history:
            job = history.jobs()[0]
            truths = {
                it["facts"]["step"]: it["facts"]["inside"] for it in history.events(job.id) if it["kind"] == "truth"
            }
    inside = sum(map(bool, truths.values()))
    return Ended(seed, code, took, inside, len(truths) - inside)


def on_a_terminal(command: list[str]) -> int:
    """The exit code; what it draws is read and forgotten."""
    ours, theirs = os.openpty()
    termios.tcsetwinsize(theirs, (24, 80))
    program = subprocess.Popen(
        command, stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True, env=os.environ | {"TERM": "xterm"}
    )
    os.close(theirs)
    try:
        while os.read(ours, 65536):
            pass
    except OSError:  # the far end of a pseudo-terminal is closed: EIO
        pass
    finally:
        os.close(ours)
    return program.wait(PATIENCE)


def main() -> None:
    args = options(__doc__, runs=10, first=0, beside=4)
    told = Told(args.json)
    with ThreadPoolExecutor(args.beside) as pool:
        ended = []
        for it in pool.map(rehearsed, range(args.first, args.first + args.runs)):
            ended.append(it)
            told.line(f"seed {it.seed}: exit code {it.exit_code}, {it.seconds:.0f} s, {it.inside} in, {it.outside} out")
    found = {
        "runs": len(ended),
        "all in": sum(it.exit_code == 0 and it.inside > 0 and not it.outside for it in ended),
        "settings in": sum(it.inside for it in ended),
        "settings out": sum(it.outside for it in ended),
        "seconds": percentile([it.seconds for it in ended], 1.0),
    }
    told.line("; ".join(f"{name} {value:g}" for name, value in found.items()))
    told.end(found)


if __name__ == "__main__":
    main()
