"""The errors of benchrig, grouped by who has to act.

    BenchrigError
    +-- FileError            somebody must mend a file or a command (exit code 2)
    |   +-- UnitError        a quantity was not understood
    +-- LinkError            somebody must look at a cable, a port or power (exit code 4)
    |   +-- LinkTimeout      nothing came in time; the link may still be good
    |   +-- LinkLost         the far end is gone; only opening it again can help
    +-- InstrumentError      the instrument answered, and what it said is trouble (exit code 4)
    |   +-- FrameError       bytes that are not a frame of this grammar
    |   +-- WrongFunction    the knob stands elsewhere
    |   +-- WrongInstrument  something else answers at this address
    +-- SignalError          a record holds no such pulse, level or tone
    +-- Refused              a hold point was not acknowledged, or no longer is (exit code 5)
    +-- Stopped              the operator stopped the job (exit code 3)

Every error text says where, what was found, and what to do next. The facts are fields too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


class BenchrigError(Exception):
    """Any trouble that benchrig can put into words. `next_step` says what to do about it."""

    exit_code = 4

    def __init__(self, message: str, *, next_step: str = "") -> None:
        super().__init__(message if not next_step else f"{message} {next_step}")
        self.message = message
        self.next_step = next_step


@dataclass(frozen=True, slots=True)
class Mistake:
    """One thing wrong in a file: where (1-based line, dotted path), what, and the cure."""

    file: str
    line: int
    path: str
    problem: str
    cure: str = ""

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}: " if self.line else f"{self.file}: "
        at = f"{self.path}: " if self.path else ""
        cure = f" {self.cure}" if self.cure else ""
        return f"{where}{at}{self.problem}{cure}"


class FileError(BenchrigError):
    """A file cannot be used. Carries every mistake found in it, not only the first."""

    exit_code = 2

    def __init__(self, mistakes: Sequence[Mistake] | str, *, next_step: str = "") -> None:
        self.mistakes: tuple[Mistake, ...] = () if isinstance(mistakes, str) else tuple(mistakes)
        text = mistakes if isinstance(mistakes, str) else "\n".join(str(m) for m in mistakes)
        super().__init__(text, next_step=next_step)


class UnitError(FileError):
    """A quantity was not understood; it is refused, never guessed."""


class LinkError(BenchrigError):
    """The way to an instrument failed. `address` is the link's, `doing` what was tried."""

    def __init__(self, message: str, *, address: str = "", doing: str = "", next_step: str = "") -> None:
        super().__init__(message, next_step=next_step)
        self.address = address
        self.doing = doing


class LinkTimeout(LinkError):
    """Nothing, or not enough, came before the deadline."""


class LinkLost(LinkError):
    """The far end is gone: closed socket, unplugged cable, hung-up terminal."""


class InstrumentError(BenchrigError):
    """The instrument answered with an error, or with something that cannot be its answer."""

    def __init__(self, message: str, *, instrument: str = "", next_step: str = "") -> None:
        super().__init__(message, next_step=next_step)
        self.instrument = instrument


class WrongFunction(InstrumentError):
    """The knob of a meter that nobody but a hand can set stands elsewhere. Its link is well."""


class FrameError(InstrumentError):
    """Bytes that are not one whole, legal frame of the grammar. `frame` holds them."""

    def __init__(self, message: str, *, frame: bytes = b"") -> None:
        super().__init__(f"{message} (frame {frame.hex(' ') or 'empty'})")
        self.frame = frame


class WrongInstrument(InstrumentError):
    """Another instrument answers here than the bench names, or than was here before."""


class SignalError(BenchrigError):
    """The record does not hold what was asked of it; the text carries the numbers."""

    exit_code = 1


class Refused(BenchrigError):
    """A hazardous action without a live acknowledgement."""

    exit_code = 5


class Stopped(BenchrigError):
    """The operator stopped the job."""

    exit_code = 3
