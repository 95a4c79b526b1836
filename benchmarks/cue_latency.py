"""From a reading's arrival to the cue: in the engine, and to the bytes on a terminal; and what a slow terminal costs.

    python benchmarks/cue_latency.py [--seconds 10]

The terminal is a real pseudo-terminal, 80 columns by 24 rows and by 3. Its reader is prompt, or late and narrow like a
bad line (a kilobyte at a time, 0.15 s apart), or does not read at all. A made-up meter is polled by the reading thread
as in a session; each of its readings is told apart on the screen by its value. Prints medians and 99th percentiles, and
the poll rate with each terminal over the rate with none.
"""

from __future__ import annotations

import contextlib
import fcntl
import io
import math
import os
import re
import struct
import termios
import threading
import time
from collections.abc import Callable, Iterator

from figures import Figures, Told, options, percentile
from rich.console import Console

from benchrig.bench import Attached, InstrumentSpec, readings
from benchrig.clock import RealClock
from benchrig.instruments import Identity
from benchrig.readings import Reading
from benchrig.session.driving import Gauge
from benchrig.trim import engine
from benchrig.trim.types import Goal, Measured, Tick
from benchrig.ui.live_screen import LiveScreen
from benchrig.ui.screen_thread import Painter

GOAL = Goal(5.0, 4.9, 5.1, "V")
NUMBER = re.compile(rb"(\d\.\d{3}) V")
PROMPT, NARROW, STUCK = "prompt", "late and narrow", "does not read"


class Meter:
    """A number that runs up and down, `rate` times a second; 0 for as fast as asked."""

    def __init__(self, rate: float, clock: RealClock) -> None:
        self.rate, self.clock, self.count = rate, clock, 0
        self.due = clock.now()

    def identify(self) -> Identity:
        return Identity("LANTERN", "BENCH", "1", "1.0")

    def restore(self) -> None: ...

    def release(self) -> None: ...

    def read(self, deadline: float) -> Reading:
        if self.rate:
            self.due = max(self.due + 1.0 / self.rate, self.clock.now() - 1.0)
            self.clock.sleep_until(self.due)
        else:
            time.sleep(0.001)
        self.count += 1
        value = 1.0 + (self.count % 8000) / 1000.0  # each reading looks different for minutes
        return Reading(value, "V", self.clock.now(), resolution=0.001)


class Terminal:
    """The far end of a pseudo-terminal: when each number came."""

    def __init__(self, rows: int, how: str) -> None:
        self.far, near = os.openpty()
        fcntl.ioctl(near, termios.TIOCSWINSZ, struct.pack("HHHH", rows, 80, 0, 0))
        self.file = open(near, "w", encoding="utf-8")  # noqa: SIM115  # closed by `close`
        self.seen: dict[bytes, float] = {}
        self._how = how
        self._closed = threading.Event()
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        rest = b""
        while not self._closed.is_set():
            if self._how == STUCK:
                self._closed.wait(0.1)
                continue
            try:
                data = rest + os.read(self.far, 1024)
            except OSError:
                return
            now = time.monotonic()
            for match in NUMBER.finditer(data):
                self.seen.setdefault(match[1], now)
            rest = data[-12:]
            if self._how == NARROW:
                self._closed.wait(0.15)

    def drain(self) -> None:
        """Let the writer come to its end."""
        self._how = PROMPT

    def close(self) -> None:
        self._closed.set()
        with contextlib.suppress(OSError):
            self.file.close()
        os.close(self.far)


def in_engine(count: int = 20_000) -> tuple[float, float]:
    """Milliseconds of one step and view, median and 99th percentile: processor time, without what others take."""
    state, spent = engine.start(GOAL, 0.0), []
    for index in range(count):
        now = index * 0.1
        reading = Reading(5.0 + math.sin(index / 7.0), "V", now, resolution=0.001)
        begin = time.thread_time()
        state, _ = engine.step(state, Measured(reading, now))
        engine.view(state, now)
        spent.append((time.thread_time() - begin) * 1e3)
    return percentile(spent, 0.5), percentile(spent, 0.99)


@contextlib.contextmanager
def polled(rate: float) -> Iterator[tuple[RealClock, Meter, Callable[[float], object]]]:
    """A meter with its reading thread: (clock, meter, next item until a deadline)."""
    clock = RealClock()
    meter = Meter(rate, clock)
    attached = Attached(
        InstrumentSpec("meter", "-", "-"), clock, factory=lambda *_: meter, opener=lambda *_: _Nothing()
    )
    attached.open()
    source = readings(attached)
    try:
        yield clock, meter, source.next
    finally:
        source.close()
        attached.close()


class _Nothing:
    """A link that nobody uses: the made-up meter needs none."""

    address = "made up"

    def write(self, data: bytes) -> None: ...

    def read(self, deadline: float) -> bytes:
        return b""

    def close(self) -> None: ...


def to_screen(rate: float, seconds: float, rows: int, how: str | None) -> tuple[float, list[float], int]:
    """Readings a second; milliseconds to the screen of each reading seen there; readings shown."""
    terminal = None if how is None else Terminal(rows, how)
    file = io.StringIO() if terminal is None else terminal.file
    console = Console(file=file, force_terminal=True, width=80, height=rows, _environ={"TERM": "xterm-256color"})
    painter = Painter(LiveScreen(console))
    gauge = Gauge((lambda notice: None) if terminal is None else painter.show, "watch", "meter", GOAL)
    arrived: dict[bytes, float] = {}
    with polled(rate) as (clock, meter, fetch):
        state, before, end = engine.start(GOAL, clock.now()), meter.count, time.monotonic() + seconds
        while time.monotonic() < end:
            item = fetch(clock.now() + 0.1)
            now = clock.now()
            if isinstance(item, Reading):
                arrived[f"{item.value:.3f}".encode()] = time.monotonic()
                state, _ = engine.step(state, Measured(item, now))
            else:
                state, _ = engine.step(state, Tick(now))
            gauge.show(engine.view(state, now), item if isinstance(item, Reading) else None)
        done = (meter.count - before) / seconds
    time.sleep(0.2)
    seen = {} if terminal is None else dict(terminal.seen)
    if terminal is not None:
        terminal.drain()
    painter.close()
    if terminal is not None:
        terminal.close()
    late = [(seen[key] - at) * 1e3 for key, at in arrived.items() if key in seen]
    return done, late, len(seen)


def measure(seconds: float, told: Told) -> Figures:
    half, most = in_engine()
    told.line(f"engine: step and view p50 {half:.3f} ms, p99 {most:.3f} ms")
    screen: dict[str, list[float]] = {}
    for rate in (3.0, 10.0, 50.0):
        for rows in (24, 3):
            name = f"{rate:g} readings/s, 80 x {rows}"
            _, screen[name], shown = to_screen(rate, seconds, rows, PROMPT)
            p50, p99 = percentile(screen[name], 0.5), percentile(screen[name], 0.99)
            told.line(f"{name:24}: to the screen p50 {p50:5.1f} ms, p99 {p99:5.1f} ms ({shown})")
    return {
        "engine p50 ms": half,
        "engine p99 ms": most,
        "screen p50 ms": {name: percentile(late, 0.5) for name, late in screen.items()},
        "screen p99 ms to 10 readings/s": {
            name: percentile(late, 0.99) for name, late in screen.items() if "50" not in name
        },
        "screen p99 ms at 50 readings/s": {
            name: percentile(late, 0.99) for name, late in screen.items() if "50" in name
        },
        "readings seen": sum(map(len, screen.values())),
        "rate over no screen": beside_a_terminal(seconds, told),
    }


def beside_a_terminal(seconds: float, told: Told) -> dict[str, float]:
    """The poll rate with each kind of terminal, over the rate with none."""
    rates: dict[str | None, list[float]] = {None: [], PROMPT: [], NARROW: [], STUCK: []}
    for _ in range(3):
        for how, found in rates.items():
            found.append(to_screen(0.0, seconds / 3.0, 24, how)[0])
    base = percentile(rates[None], 0.5)
    ratios = {how: percentile(found, 0.5) / base for how, found in rates.items() if how}
    for how, ratio in ratios.items():
        told.line(f"terminal {how:16}: {ratio:.2f} of the {base:.0f} readings/s without a screen")
    return ratios


def main() -> None:
    args = options(__doc__, seconds=10.0)
    told = Told(args.json)
    told.end(measure(args.seconds, told))


if __name__ == "__main__":
    main()
