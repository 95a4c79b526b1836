"""Two hundred benches write to one PostgreSQL for a minute, and the server dies and comes back in the middle.

    python benchmarks/store_shop.py [--benches 200] [--seconds 60]

Each bench has a spool of its own and commits a batch of readings several times a second; the server is stopped the hard
way for a while. At the end every bench sends what is left. Prints what was committed and what the server has: they must
be equal, channel by channel.
"""

from __future__ import annotations

import sys
import tempfile
import threading
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from figures import Told, options

from benchrig.records import Block, JobFacts, StepFacts
from benchrig.records.shop import ShopStore
from benchrig.records.shop_history import ShopHistory

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "records"))
from postgres_server import postgres_server

READINGS, PAUSE = 10, 0.5  # in a batch; s between batches
NOON = datetime(2026, 1, 5, 12, 0, tzinfo=UTC)


def bench(number: int, url: str, folder: Path, until: float, written: dict[str, int]) -> None:
    """One bench at work."""
    store = ShopStore(url, folder / f"{number}.sqlite")
    serial = f"SK14-{number:04}"
    facts = JobFacts("soak", "Soak", "abc", "f", "Skerry 14", serial, "Marit", f"bench {number}", True, "0", "guarded")
    store.begin_job(facts, 0.0, NOON)
    row = store.begin_step(StepFacts("soak", "soak", "Soak", 1), 0.0, NOON)
    count = 0
    while time.monotonic() < until:
        times = 0.1 * (count + np.arange(READINGS, dtype=np.float64))
        store.block(row, "EHT", Block(times, times + number, np.zeros(READINGS, np.uint32), "V"))
        count += READINGS
        time.sleep(PAUSE)
    store.end_job("all in tolerance", 0, 1e6, NOON)
    written[serial] = count
    store.close(patience=120.0)


def measure(benches: int, seconds: float, told: Told) -> dict[str, float]:
    written: dict[str, int] = {}
    with tempfile.TemporaryDirectory() as name, postgres_server(benches + 10) as server:
        until = time.monotonic() + seconds
        threads = [
            threading.Thread(target=bench, args=(i, server.url, Path(name), until, written)) for i in range(benches)
        ]
        for thread in threads:
            thread.start()
        time.sleep(seconds * 0.4)
        server.stop()
        time.sleep(seconds * 0.2)
        server.start(benches + 10)
        for thread in threads:
            thread.join()
        sent = time.monotonic() - until
        with ShopHistory(server.url) as shop:
            jobs = shop.jobs(limit=10 * benches)
            there = {job.serial: shop.reading_count(job.id) for job in jobs}
            sample = jobs[len(jobs) // 2]
            channel = shop.channels(shop.steps(sample.id)[0].row)[0]
            values = np.concatenate([it.values for it in shop.blocks(channel)])
            right = np.allclose(values, 0.1 * np.arange(values.size) + int(sample.serial[-4:]))
    differ = sum(there.get(serial) != count for serial, count in written.items())
    told.line(f"benches              {benches}, jobs in the server {len(jobs)}")
    told.line(f"readings committed   {sum(written.values()):,}")
    told.line(f"readings in server   {sum(there.values()):,}")
    told.line(f"benches that differ  {differ}")
    told.line(f"values of one bench  {'as written' if right else 'WRONG'}")
    told.line(f"all sent             {sent:.1f} s after the last reading")
    return {
        "benches": benches,
        "readings committed": sum(written.values()),
        "readings lost or doubled": abs(sum(written.values()) - sum(there.values())),
        "benches that differ": differ + abs(benches - len(jobs)) + (not right),
        "sent after the last, s": sent,
    }


def main() -> None:
    args = options(__doc__, benches=200, seconds=60.0)
    told = Told(args.json)
    told.end(measure(args.benches, args.seconds, told))


if __name__ == "__main__":
    main()
