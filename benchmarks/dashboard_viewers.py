"""What the dashboard costs the job beside it: share of a core with nobody looking, and with fifty viewers.

    python benchmarks/dashboard_viewers.py [--viewers 50] [--seconds 5]

A watch of 8 channels is told 10 times a second (80 values a second) after three days' worth of trend. The viewers are
a process of their own and read all they are sent. Phases come in turns, so that whatever else the machine does meets
both. Prints the processor time of this process over real time, their ratio, the time one telling takes, what the
viewers got, and, as a measure of being held up, the longest telling.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import statistics
import time
from datetime import UTC, datetime
from multiprocessing.sharedctypes import Synchronized
from urllib.parse import urlsplit

from figures import Told, options

from benchrig.dashboard.server import DashboardPage
from benchrig.session.notices import ChannelView, SoakMoved

CHANNELS, RATE, TURNS = 8, 10.0, 3
DAYS = 3 * 24 * 3600.0
AT = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)


def moved(elapsed: float) -> SoakMoved:
    """How the watch stands after `elapsed` seconds; every value differs from the last."""
    values = [12.0 + (elapsed * 7.3 + channel) % 1.0 / 100.0 for channel in range(CHANNELS)]
    views = (
        ChannelView(f"channel {number}", value, "V", 11.4, 12.6, 10.8, 13.2, "in", AT, value - 0.01, value + 0.01)
        for number, value in enumerate(values)
    )
    return SoakMoved("soak", tuple(views), elapsed, DAYS, "watching")


def look(port: int, count: int, got: Synchronized[int]) -> None:
    """`count` viewers that read all they are sent; `got` counts messages."""

    async def one() -> None:
        reader, writer = await asyncio.open_connection("127.0.0.1", port, limit=1 << 22)
        writer.write(b"GET /live HTTP/1.1\r\nHost: localhost\r\n\r\n")
        while line := await reader.readline():
            if line.startswith(b"data: {"):
                got.value += 1

    async def all_of_them() -> None:
        await asyncio.gather(*(one() for _ in range(count)))

    asyncio.run(all_of_them())


def phase(page: DashboardPage, began: float, seconds: float) -> tuple[float, list[float]]:
    """Tell at the usual rate; share of a core, and how long each telling took."""
    used, start, took = time.process_time(), time.monotonic(), []
    for number in range(round(seconds * RATE)):
        notice = moved(began + number / RATE)
        before = time.perf_counter()
        page.show(notice)
        took.append(time.perf_counter() - before)
        time.sleep(max(0.0, start + (number + 1) / RATE - time.monotonic()))
    return (time.process_time() - used) / (time.monotonic() - start), took


def measure(viewers: int, seconds: float) -> dict[str, float]:
    got: Synchronized[int] = multiprocessing.Value("q", 0)
    alone, watched, took = [], [], []
    with DashboardPage() as page:
        for number in range(20_000):
            page.show(moved(number * DAYS / 20_000))
        port = urlsplit(page.address).port
        for turn in range(TURNS):
            began = DAYS + 2 * turn * seconds
            alone.append(phase(page, began, seconds)[0])
            crowd = multiprocessing.Process(target=look, args=(port, viewers, got), daemon=True)
            crowd.start()
            phase(page, began + seconds, 1.0)  # everybody comes in, and gets the whole of it once
            share, times = phase(page, began + seconds + 1.0, seconds)
            watched.append(share)
            took += times
            crowd.terminate()
            crowd.join()
    return {
        "viewers": viewers,
        "core alone, %": 100.0 * statistics.median(alone),
        "core watched, %": 100.0 * statistics.median(watched),
        "telling, us": 1e6 * statistics.median(took),
        "longest telling, ms": 1e3 * max(took),
        "messages a second": got.value / viewers / (TURNS * (seconds + 1.0)),
    }


def main() -> None:
    args = options(__doc__, viewers=50, seconds=5.0)
    told, found = Told(args.json), measure(args.viewers, args.seconds)
    ratio = found["core watched, %"] / found["core alone, %"]
    told.line(f"nobody looking:   {found['core alone, %']:.2f} % of a core")
    told.line(f"{args.viewers} viewers:       {found['core watched, %']:.2f} % of a core, ratio {ratio:.1f}")
    told.line(f"one telling:      {found['telling, us']:.0f} us, at most {found['longest telling, ms']:.1f} ms")
    told.line(f"each viewer got:  {found['messages a second']:.1f} messages a second")
    told.end(found)


if __name__ == "__main__":
    main()
