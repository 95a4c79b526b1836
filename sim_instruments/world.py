"""A simulated bench: nodes, trimmers, instruments wired to nodes, hands that act, and the truth behind it all.

Rules kept here: a world holds no time of its own and does no I/O; everything that happens in it happens at
`clock.now()`; the same seed and the same acts give the same voltages. What a world *is* comes from the module
that builds it (`skerry14.build`); nothing here knows a unit by name.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from benchrig.clock import Clock
from benchrig.errors import FileError

from .faults import Cable
from .interfaces import Double, Node
from .nodes import Jack
from .trimmer import SimulatedTrimmer

T = TypeVar("T")


class Unknown(FileError, LookupError):
    """A name that this world does not have; the text lists those it has. Some file or command is to be mended."""


def find(table: Mapping[str, T], name: str, noun: str) -> T:
    """`table[name]`, or `Unknown` with the names there are."""
    if name not in table:
        raise Unknown(f"There is no {noun} {name!r} here. There are: {', '.join(sorted(table)) or 'none'}.")
    return table[name]


@dataclass(slots=True)
class World:
    """Everything on the simulated bench.

    nodes     test point name ("A4 TP40") to what can be probed there
    trimmers  name ("RV41") to the control
    jacks     input name ("meter", "scope.1") to what it touches
    doubles   instrument name to its cable, with the double at its far end
    served    instrument name to how it is served outside this process: "tcp", "serial" (frames on a pseudo-terminal)
              or "visa serial" (a conversation on one), "http" (pictures)
    hands     who acts on it; its methods depend on the unit
    truths    name to a function that gives the true value at `clock.now()`, in base units (millimetres for sizes)
    """

    clock: Clock
    seed: int = 0
    nodes: dict[str, Node] = field(default_factory=dict)
    trimmers: dict[str, SimulatedTrimmer] = field(default_factory=dict)
    jacks: dict[str, Jack] = field(default_factory=dict)
    doubles: dict[str, Cable] = field(default_factory=dict)
    served: dict[str, str] = field(default_factory=dict)
    hands: Any = None
    truths: dict[str, Callable[[], float]] = field(default_factory=dict)

    def double(self, name: str) -> Cable:
        """The instrument called `name`, as its cable shows it: a `Double` with faults and a log."""
        return find(self.doubles, name, "instrument")

    def node(self, name: str) -> Node:
        """The test point called `name`."""
        return find(self.nodes, name, "test point")

    def trimmer(self, name: str) -> SimulatedTrimmer:
        """The trimmer called `name`."""
        return find(self.trimmers, name, "trimmer")

    def jack(self, name: str) -> Jack:
        """The instrument input called `name`."""
        return find(self.jacks, name, "input")

    def truth(self, name: str) -> float:
        """The true value of `name` now."""
        return find(self.truths, name, "quantity")()

    def connect(self, name: str, double: Double, served: str = "tcp") -> None:
        """Put an instrument on the bench."""
        self.doubles[name] = Cable(double, self.clock, self.seed + len(self.doubles))
        self.served[name] = served

    def wire_log(self, name: str) -> list[tuple[float, bytes]]:
        """(clock time, bytes) of everything the instrument called `name` received."""
        return list(self.double(name).received)
