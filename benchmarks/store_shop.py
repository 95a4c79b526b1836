"""Two hundred benches write to one PostgreSQL for a minute, and the server dies and comes back in the middle.

Run it:  python benchmarks/store_shop.py [BENCHES] [SECONDS]

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

from benchrig.records import Block, JobFacts, StepFacts
from benchrig.records.shop import ShopStore
from benchrig.records.shophistory import ShopHistory

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
        times = 0.1 * (count + np.arange(READINGS))
        store.block(row, "EHT", Block(times, times + number, np.zeros(READINGS, np.uint32), "V"))
        count += READINGS
        time.sleep(PAUSE)
    store.end_job("everything in", 0, 1e6, NOON)
    written[serial] = count
    store.close(patience=120.0)


def main(benches: int, seconds: float) -> None:
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
    print(f"benches              {benches}, jobs in the server {len(jobs)}")
    print(f"readings committed   {sum(written.values()):,}")
    print(f"readings in server   {sum(there.values()):,}")
    print(f"benches that differ  {sum(there.get(serial) != count for serial, count in written.items())}")
    print(f"values of one bench  {'as written' if right else 'WRONG'}")
    print(f"all sent             {sent:.1f} s after the last reading")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200, float(sys.argv[2]) if len(sys.argv) > 2 else 60.0)
