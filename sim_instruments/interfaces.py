"""The two seams of the simulated bench: what a double is to the outside, and what a node is to a double.

Doubles do no I/O and never sleep: bytes come in with `receive`, bytes that are due go out with `take`, and all
time is the clock's. The same double is then served in process, over TCP, or over a pseudo-terminal.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray


class Double(Protocol):
    """A simulated instrument as its cable sees it."""

    plugged: bool  # False: the cable is out; whoever serves the double drops the connection

    def receive(self, data: bytes) -> None:
        """Bytes from the host, cut anywhere, at `clock.now()`."""
        ...

    def due(self) -> float | None:
        """Clock time at which bytes are (or were) ready to be taken; None if nothing is planned."""
        ...

    def take(self) -> bytes:
        """All bytes ready at `clock.now()`; b"" if none."""
        ...


class Node(Protocol):
    """A test point: a voltage over time, seen through a source resistance.

    All times are clock seconds; all functions may be asked about the past and about a moment up to `clock.now()`.
    """

    resistance: float  # ohm, of the source; a meter's input loads it

    def average(self, start: float, stop: float) -> float:
        """Mean volts between two moments: what an integrating meter sees."""
        ...

    def rms(self, start: float, stop: float) -> float:
        """RMS volts of the alternating part between two moments."""
        ...

    def samples(self, start: float, interval: float, count: int) -> NDArray[np.float64]:
        """Volts at `start + i * interval`, shape (count,)."""
        ...


@runtime_checkable
class Resistive(Node, Protocol):
    """A node on which an ohmmeter may be put."""

    def ohms(self, when: float) -> float:
        """Resistance between the two leads at `when`, lead resistance included; inf where there is none."""
        ...


# What is clipped to an instrument's inputs. A callable is asked at every measurement: leads move.
Inputs = Mapping[int, Node | Callable[[], Node | None] | None]


def node_at(inputs: Inputs, terminal: int) -> Node | None:
    """The node that `terminal` touches at this moment; None where it hangs open."""
    found = inputs.get(terminal)
    return found() if callable(found) else found
