"""A host at the end of a perfect cable, and test points whose truth is known in closed form."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from benchrig.sim_instruments.interfaces import Double
from numpy.typing import NDArray

from benchrig.clock import SimClock


@dataclass
class Point:
    """Volts as a function of time (array in, array out), behind `resistance` ohms; averaged by fine sampling."""

    volts: Callable[[NDArray[np.float64]], NDArray[np.float64]]
    resistance: float = 0.0
    across: float = float("inf")

    def average(self, start: float, stop: float) -> float:
        return float(np.mean(self._fine(start, stop)))

    def rms(self, start: float, stop: float) -> float:
        return float(np.std(self._fine(start, stop)))

    def samples(self, start: float, interval: float, count: int) -> NDArray[np.float64]:
        return np.asarray(self.volts(start + interval * np.arange(count)), dtype=np.float64)

    def ohms(self, when: float) -> float:
        return self.across

    def _fine(self, start: float, stop: float) -> NDArray[np.float64]:
        step = (stop - start) / 4000
        return self.samples(start + step / 2, step, 4000)


def steady(volts: float, resistance: float = 0.0, across: float = float("inf")) -> Point:
    return Point(lambda t: np.full_like(t, volts), resistance, across)


def sine(amplitude: float, frequency: float, offset: float = 0.0) -> Point:
    return Point(lambda t: offset + amplitude * np.sin(2 * np.pi * frequency * t))


def square(low: float, high: float, frequency: float) -> Point:
    return Point(lambda t: np.where((t * frequency) % 1.0 < 0.5, high, low))


class Host:
    """Writes a line, waits on the clock for the answer; nothing sleeps."""

    def __init__(self, double: Double, clock: SimClock) -> None:
        self.double = double
        self.clock = clock

    def send(self, text: str | bytes) -> None:
        self.double.receive(text if isinstance(text, bytes) else text.encode() + b"\n")

    def answer(self, patience: float = 600.0) -> bytes:
        """The next bytes, or b"" if none come within `patience` seconds."""
        end = self.clock.now() + patience
        while self.clock.now() <= end:
            if found := self.double.take():
                return found
            due = self.double.due()
            if due is None or due > end:
                return b""
            self.clock.sleep_until(max(due, self.clock.now() + 1e-9))
        return b""

    def ask(self, text: str | bytes) -> str:
        """The answer without its line end."""
        self.send(text)
        return self.answer().decode("latin-1").strip("\r\n")

    def block(self, text: str) -> bytes:
        """The payload of a definite block; asserts its length and its line end."""
        self.send(text)
        whole = self.answer()
        start = whole.index(b"#")
        digits = int(whole[start + 1 : start + 2])
        size = int(whole[start + 2 : start + 2 + digits])
        payload = whole[start + 2 + digits :]
        assert payload[size:].strip(b"\n") == b""
        assert payload[size:].startswith(b"\n")
        return payload[:size]

    def errors(self) -> list[int]:
        """The numbers in the error queue, emptied."""
        found = []
        while (number := int(self.ask("SYST:ERR?").split(",")[0])) != 0:
            found.append(number)
        return found
