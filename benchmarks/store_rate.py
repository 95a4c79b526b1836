"""Three days of eight channels, ten readings a second, into one SQLite record: rate, bytes, memory, the trend.

    python benchmarks/store_rate.py [--hours 72] [--size 600] [--seed 1]

The store alone; `soak_days.py` measures it behind the whole soak. Two kinds of values: of a meter that
answers with decimals, and of a source whose every bit is noise, which nothing can shrink. The live
pace hands over a few readings at a time, each batch a commit of its own, and lets the store join them. The ratio is
readings a second the store takes, over the eighty a second that the bench makes.
"""

from __future__ import annotations

import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from figures import Told, options, resident

from benchrig.records import Block, History, JobFacts, SqliteStore, StepFacts, StepResult

CHANNELS, INTERVAL = 8, 0.1
COUNT = 1e-5  # V, the last of its decimals
NOON = datetime(2026, 1, 5, 12, 0, tzinfo=UTC)
JOB = JobFacts("soak", "Soak", "abc", "f", "Skerry 14", "SK14-0231", "Marit", "lantern", True, "0", "guarded")


def write(path: Path, hours: float, size: int, seed: int, *, counts: bool) -> tuple[float, float]:
    """(seconds in the store, megabytes grown after the first hour)."""
    rng = np.random.default_rng(seed)
    store = SqliteStore(path)
    store.begin_job(JOB, 0.0, NOON)
    row = store.begin_step(StepFacts("soak", "soak", "Soak", 1), 0.0, NOON)
    spent, settled = 0.0, 0.0
    blocks = round(hours * 3600 / INTERVAL / size)
    for i in range(blocks):
        times = INTERVAL * (i * size + np.arange(size)) + rng.uniform(0, 1e-3, size)
        flags = np.zeros(size, np.uint32)
        for channel in range(CHANNELS):
            values = 5.0 + channel + 1e-3 * rng.standard_normal(size)
            if counts:
                values = np.round(values, 5)  # as parsed from decimal text
            block = Block(times, values, flags, "V", COUNT if counts else None)
            began = time.perf_counter()
            store.block(row, f"rail {channel}", block)
            store.keep_alive(float(times[-1]))
            spent += time.perf_counter() - began
        if not settled and i * size * INTERVAL >= 3600:
            settled = resident()
    began = time.perf_counter()
    store.end_step(row, StepResult("pass"), hours * 3600, NOON)
    store.close()
    return spent + time.perf_counter() - began, resident() - (settled or resident())


def draw(path: Path) -> tuple[float, int]:
    """(seconds for the envelopes of all channels, readings there)."""
    began = time.perf_counter()
    with History(path) as history:
        for channel in history.channels(history.steps(1)[0].row):
            history.envelope(channel)
        spent = time.perf_counter() - began
        return spent, history.reading_count(1)


def measure(name: str, hours: float, size: int, seed: int, told: Told, *, counts: bool = True) -> dict[str, float]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "record.sqlite"
        spent, grown = write(path, hours, size, seed, counts=counts)
        drawn, count = draw(path)
        pace, heft = count / spent, path.stat().st_size / count
    told.line(
        f"{name:34} {count:>12,} readings  {pace:>10,.0f}/s  {pace / (CHANNELS / INTERVAL):>8,.0f} x the bench's"
        f"  {heft:5.2f} bytes/reading  trend {drawn:5.2f} s  RSS {grown:+5.1f} MB"
    )
    return {"readings a second": pace, "bytes a reading": heft, "trends drawn, s": drawn, "memory grown, MB": grown}


def main() -> None:
    args = options(__doc__, hours=72.0, size=600, seed=1)
    told, size, seed = Told(args.json), args.size, args.seed
    cells = {
        "decimals": measure(f"decimals, {size} at a time", args.hours, size, seed, told),
        "noise": measure(f"noise in every bit, {size} at a time", args.hours, size, seed, told, counts=False),
        "decimals by 10": measure("decimals, 10 at a time, as live", args.hours / 20, 10, seed, told),
        "decimals by 2": measure("decimals, 2 at a time, as live", args.hours / 100, 2, seed, told),
    }
    told.end({figure: {name: cell[figure] for name, cell in cells.items()} for figure in cells["noise"]})


if __name__ == "__main__":
    main()
