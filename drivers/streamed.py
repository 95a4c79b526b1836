"""Meters that talk by themselves: the newest reading, its age told honestly.

- The frame port drains every backlog and hands out only frames whose age is known to one interval; the reading's time
  is the earliest moment its frame can have come, less its time on the wire.
- No frame is handed out twice. Chips that send each conversion twice give one reading for it.
- A frame that cannot be read is passed over, and named when nothing better comes; it never becomes a number.
- The measurement is taken to have begun one interval before its frame was complete: a conversion that straddles the
  last turn of a trimmer then never passes for a new one.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, ClassVar

from benchrig.clock import Clock
from benchrig.errors import FrameError, InstrumentError, LinkTimeout
from benchrig.instruments import Function, Identity, LineSettings
from benchrig.links.base import Link
from benchrig.links.frame_port import FramePort, Stamped
from benchrig.readings import Reading
from benchrig.wire.frames import Framer

from . import knob
from . import options as driver_options
from .display import RangeSteps, as_fraction


@dataclass(frozen=True, slots=True)
class Grammar:
    """What a streamed meter needs to know of its frames."""

    name: str
    line: LineSettings
    length: int
    framer: Callable[[], Framer]
    decode: Callable[[bytes], Reading]
    interval: float  # usual seconds from one reading to the next
    sent_twice: bool = False

    @property
    def wire_time(self) -> float:
        """Seconds one frame takes on the wire."""
        parity = 0 if self.line.parity == "N" else 1
        return self.length * (1 + self.line.data_bits + parity + self.line.stop_bits) / self.line.baud


class StreamedMeter:
    """A free-running handheld. A subclass names its `GRAMMAR` and `OPTIONS`."""

    GRAMMAR: ClassVar[Grammar]
    OPTIONS: ClassVar[Mapping[str, Any]] = {}
    LINE: ClassVar[LineSettings]

    def __init__(self, link: Link, clock: Clock, options: Mapping[str, Any] | None = None) -> None:
        """Options: `interval`, usual seconds between readings, and those of the grammar."""
        self._link = link
        self._clock = clock
        defaults = {"interval": self.GRAMMAR.interval, **self.OPTIONS}
        self.options = driver_options.take(options, self.GRAMMAR.name, defaults)
        self._interval: float = self.options["interval"]
        self._decode = self._decoder()
        self._function: Function | None = None
        self._last: Stamped | None = None
        self._steps = RangeSteps()
        self._begin()

    def _decoder(self) -> Callable[[bytes], Reading]:
        """`GRAMMAR.decode` with the options applied."""
        return self.GRAMMAR.decode

    def _begin(self) -> None:
        self._port = FramePort(self._link, self._clock, self.GRAMMAR.framer(), keep=self._interval)

    def identify(self) -> Identity:
        """The grammar, once a frame of it was heard: these meters have no name. Listens for five intervals."""
        self._next(self._clock.now() + 5 * self._interval)
        return Identity(model=self.GRAMMAR.name)

    def select(
        self, function: Function, *, expected: float | None = None, power_line_cycles: float | None = None
    ) -> None:
        """Note what the knob must stand on; range and aperture are the meter's own affair."""
        self._function = function

    def restore(self) -> None:
        """Nothing was sent, so nothing is sent again; half a frame from before the gap is dropped."""
        self._begin()

    def release(self) -> None:
        """The panel was never taken."""

    def read(self, deadline: float) -> Reading:
        """The newest reading not handed out before; see the module's rules."""
        reading = self._next(deadline)
        knob.check(self._function, reading, f"{self.GRAMMAR.name} meter at {self._link.address}")
        return self._steps.marked(reading)

    def _next(self, deadline: float) -> Reading:
        """The newest reading; frames that cannot be read and second copies are passed over until `deadline`."""
        trouble: FrameError | None = None
        while True:
            try:
                stamped = self._port.newest(deadline)
                if self._is_copy(stamped):
                    continue
                self._last = stamped
                return self._stamp(self._decode(stamped.frame), stamped)
            except FrameError as error:
                trouble = error
            except LinkTimeout:
                if trouble is None:
                    raise
            if trouble is not None and self._clock.now() >= deadline:
                raise self._unreadable(trouble) from trouble

    def _is_copy(self, stamped: Stamped) -> bool:
        """True for the second of the two frames that some chips send for one conversion."""
        return (
            self.GRAMMAR.sent_twice
            and self._last is not None
            and stamped.frame == self._last.frame
            and stamped.time - stamped.late - self._last.time < self._interval / 2
        )

    def _stamp(self, reading: Reading, stamped: Stamped) -> Reading:
        ended = stamped.time - stamped.late - self.GRAMMAR.wire_time
        return replace(as_fraction(reading), time=ended, aperture=self._interval)

    def _unreadable(self, trouble: FrameError) -> InstrumentError:
        return InstrumentError(
            f"{self._link.address} sends bytes, but no {self.GRAMMAR.name} frame that can be read: "
            f"{trouble.message.removeprefix(f'{self._link.address}: ')}",
            instrument=self._link.address,
            next_step=f"Check the meter's series and that {_in_words(self.GRAMMAR.line)}.",
        )


def _in_words(line: LineSettings) -> str:
    """The line settings as a person sets them."""
    lines = [
        f"{name} {'on' if level else 'off'}"
        for name, level in (("DTR", line.dtr), ("RTS", line.rts))
        if level is not None
    ]
    frame = f"{line.data_bits}{line.parity}{line.stop_bits:g}"
    return ", ".join([f"the line is {line.baud} {frame}", *lines])
