"""What several commands share: options, files by name, and how they end.

Of hang-ups only the first ends a command: a terminal that closes may send SIGHUP twice, and the second must not cut
short the making safe and the closing of the record that the first has begun. Ctrl-C still can.
"""

from __future__ import annotations

import contextlib
import difflib
import getpass
import io
import shlex
import signal
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from importlib.resources import as_file, files
from pathlib import Path
from types import FrameType
from typing import Any, NoReturn, TextIO

import click

from ..errors import FileError
from ..records import Store

JOB = click.IntRange(1, 2**63 - 1)  # a job's number, as far as a record counts
Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]


def record_option(which: str) -> Decorator:
    """`--store`: the record `which` the command is about."""
    words = f"The record {which}: a file, or postgresql://...; unless given $BENCHRIG_RECORD or your own."
    return click.option("--store", "record", metavar="FILE|URL", help=words)


written_record = record_option("to write")
read_record = record_option("to read")


def unit_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """`--bench`, `--serial`, `--operator`, `--absent`: a job on a bench of one's own."""
    options = (
        click.option("--bench", "bench_name", metavar="BENCH", help="The bench file, or the name of a shipped one."),
        click.option("--serial", default="", help="Serial number of the unit, as on its plate."),
        click.option("--operator", "name", help="Who works; your login name unless given."),
        click.option("--absent", is_flag=True, help="Nobody is there: whatever needs hands or a decision is refused."),
    )
    for option in reversed(options):
        command = option(command)
    return command


def login_name() -> str:
    """As far as the system knows; "unknown" where it does not, as in a bare container."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):  # KeyError until Python 3.13
        return "unknown"


def close(store: Store) -> None:
    """Close it; what still waits for the shop's server is told on stderr."""
    if words := store.close():
        click.echo(f"benchrig: {words}", err=True)


def report_command(job: int, record: str | None) -> str:
    """What to type to have the job as a page."""
    return f"benchrig report {job}" + (f" --store {shlex.quote(record)}" if record is not None else "")


def say_afterwards(lines: Sequence[str]) -> None:
    """Words after a job. That nobody reads them changes nothing about how it ended."""
    with contextlib.suppress(OSError):
        click.echo("\n".join(lines))


def in_utf8(stream: TextIO) -> None:
    """What is handed to other programs is UTF-8 whatever this terminal writes: no letter is replaced."""
    if isinstance(stream, io.TextIOWrapper):
        stream.reconfigure(encoding="utf-8", errors="strict")


_SIGNALS = tuple(name for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name))


def _leave(number: int, frame: FrameType | None) -> NoReturn:
    for name in _SIGNALS:
        signal.signal(getattr(signal, name), signal.SIG_IGN)
    raise KeyboardInterrupt


@contextmanager
def orderly() -> Iterator[None]:
    """Inside, a request to end from outside unwinds the program instead of cutting it off."""
    as_found = {name: signal.signal(getattr(signal, name), _leave) for name in _SIGNALS}
    try:
        yield
    finally:
        for name, handler in as_found.items():
            signal.signal(getattr(signal, name), handler)


def shipped_names() -> list[str]:
    """Names of the shipped files, without their ending."""
    root = _root()
    return sorted(str(path.relative_to(root).with_suffix("")) for path in root.rglob("*.toml"))


def locate(name: str) -> Path:
    """The file meant by `name`. Raises FileError that lists what is shipped."""
    given = Path(name)
    if given.suffix or given.exists():
        return given
    shipped = _root() / f"{name}.toml"
    if name in shipped_names():
        return shipped
    raise FileError(f"There is no file {name!r}, and nothing of that name is shipped.", next_step=_hint(name))


def _hint(name: str) -> str:
    """The nearest of the shipped names; of a folder's name all that is in it."""
    names = shipped_names()
    inside = [it for it in names if it.startswith(f"{name.rstrip('/')}/")]
    near = difflib.get_close_matches(name, names, 1)
    if near and not inside:
        return f"Did you mean {near[0]!r}?"
    return f"Shipped: {', '.join(inside or names)}."


def bench_beside(procedure: Path) -> Path | None:
    """The file `bench.toml` in the folder of a procedure; None where there is none."""
    place = procedure.parent / "bench.toml"
    return place if place.is_file() else None


def _root() -> Path:
    # The package is always a real folder: setuptools installs wheels unpacked.
    with as_file(files("benchrig.procedures")) as root:
        return root
