"""`benchrig rehearse` killed with -9 at random moments, on served doubles, its record a file: nothing shown is lost."""

import json
import os
import random
import sqlite3
import subprocess
import sys
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from short_job import EHT, HAZARD, HEAD, RAIL, TIMER

from benchrig.records import History

PROGRAM = Path(sys.executable).with_name("benchrig")
HEAVY = bool(os.environ.get("BENCHRIG_HEAVY"))
KILLS = 200 if HEAVY else 4
A_RECORD = 4  # kills of one job before it is let go on to its end
BESIDE = 2  # jobs at once
HARMLESS = HEAD + HAZARD + RAIL.replace("readings = 8", "readings = 4") + TIMER.replace("= 40", "= 20")
JOB = HARMLESS + EHT if HEAVY else HARMLESS.replace(HAZARD, "")
LATEST = 14.0 if HEAVY else 5.0  # s after the start of the program; the job takes about that long


class Rehearsal:
    """One program, writing JSON lines to a file; `words` are options besides."""

    def __init__(self, folder: Path, number: int, *words: str) -> None:
        self.shown = folder / f"shown-{number}.jsonl"
        command = [PROGRAM, "rehearse", folder / "job.toml", "--json", "--store", folder / "r.sqlite", *words]
        with self.shown.open("wb") as out, (folder / f"errors-{number}.txt").open("wb") as errors:
            self.program = subprocess.Popen(command, stdout=out, stderr=errors)

    def killed_after(self, seconds: float) -> bool:
        """True if it was still at work."""
        try:
            self.program.wait(seconds)
        except subprocess.TimeoutExpired:
            self.program.kill()
            self.program.wait()
            return True
        return False

    def lines(self) -> list[dict]:
        """What was shown; of a last line that was cut short nobody has seen a value."""
        whole = self.shown.read_bytes().split(b"\n")[:-1]
        return [json.loads(line) for line in whole]


def readings(lines: list[dict]) -> Counter:
    return Counter((it["step"], it["reading"]["value"]) for it in lines if it["kind"] == "reading")


def kept(record: Path) -> Counter:
    with History(record) as history:
        return Counter(
            (step.step, reading.value)
            for job in history.jobs()
            for step in history.steps(job.id)
            for channel in history.channels(step.row)
            for reading in history.readings(channel)
        )


def whole(record: Path) -> bool:
    db = sqlite3.connect(record)
    try:
        return db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    finally:
        db.close()


def unfinished(record: Path) -> int | None:
    """The job that can go on, as the record says."""
    if not record.is_file() or record.stat().st_size == 0:
        return None
    with History(record) as history:
        jobs = [job.id for job in history.jobs() if job.ended is None]
    return jobs[0] if jobs else None


def one_record(folder: Path, kills: int, seed: int) -> tuple[int, int, int]:
    """Kill a job `kills` times and let it end: (kills at work, readings shown, sittings that went on with the job)."""
    folder.mkdir()
    (folder / "job.toml").write_text(JOB)
    record, chance = folder / "r.sqlite", random.Random(seed)
    shown: Counter = Counter()
    done = resumed = number = 0
    while True:
        job = unfinished(record)
        last = done >= kills
        one = Rehearsal(folder, number, *(["--resume"] if job is not None else []))
        number += 1
        if one.killed_after(120.0 if last else chance.uniform(0.3, LATEST)):
            assert not last, "it did not end"
            done += 1
        lines = one.lines()
        shown += readings(lines)
        if job is not None and lines:
            assert lines[0]["kind"] == "job started"
            assert lines[0]["job"] == job
            resumed += 1
        if record.is_file() and record.stat().st_size:
            assert whole(record)
            assert not shown - kept(record), "a reading was shown and is not in the record"
        if last:
            assert one.program.returncode == 0, one.lines()[-3:]
            return done, sum(shown.values()), resumed


def test_killed_at_random_moments_it_has_what_it_showed_and_goes_on(tmp_path: Path, record_property) -> None:
    """What was shown is in the record, the record is whole, the job goes on under its number and ends well."""
    with ThreadPoolExecutor(BESIDE) as pool:
        jobs = [
            pool.submit(
                one_record, tmp_path / str(number), min(A_RECORD if KILLS > A_RECORD else 2, KILLS - first), number
            )
            for number, first in enumerate(range(0, KILLS, A_RECORD if KILLS > A_RECORD else 2))
        ]
        ended = [job.result() for job in jobs]
    kills, shown, resumed = (sum(column) for column in zip(*ended, strict=True))
    for name, count in (("kills", kills), ("readings shown", shown), ("sittings went on", resumed)):
        record_property(name, count)
    assert kills >= KILLS
    assert shown > 0
