"""A damaged record: what is read of it is what was written, or it is said that it is damaged; never a crash."""

import gc
import os
import random
import sqlite3
import sys
from contextlib import closing, suppress
from datetime import UTC, datetime

import numpy as np
import pytest

from benchrig.readings import Flag, Reading
from benchrig.records import Block, History, JobFacts, SqliteStore, StepFacts, StepResult, StoreError
from benchrig.report.export import as_json_lines
from benchrig.report.model import gather
from benchrig.signals.waveform import Waveform

NOON = datetime(2026, 1, 5, 12, 0, tzinfo=UTC)
JOB = JobFacts(
    "soak", "Soak", "abc", "soak.toml", "Skerry 14", "SK14-0231", "Ålesund", "lantern", True, "0.1", "guarded"
)


@pytest.fixture
def path(tmp_path):
    """One job with something in nearly every table."""
    path = tmp_path / "record.sqlite"
    store = SqliteStore(path)
    store.begin_job(JOB, 0.0, NOON)
    row = store.begin_step(StepFacts("eht", "measure", "EHT", 1), 1.0, NOON)
    store.readings(row, "meter", [Reading(9400.0 + i, "V", 1.0 + i, Flag.DC) for i in range(20)])
    times = np.arange(3000.0)
    store.block(row, "+12 V", Block(times, 12.0 + 0.001 * times, np.zeros(3000, np.uint32), "V"))
    store.waveform(row, "scope.1", Waveform(np.sin(np.arange(200) / 9.0), 1e-6), 5.0)
    store.event(row, "said", {"words": "low", "level": "warning"}, 6.0, NOON)
    store.end_step(row, StepResult("pass", 9400.0, "V", 30.0, details={"as_found": 10_100.0}), 9.0, NOON)
    store.end_job("all in tolerance", 0, 10.0, NOON)
    store.close()
    return path


def all_of(path):
    """Everything that can be asked of it."""
    with History(path) as history:
        return gather(history, 1).digest, list(as_json_lines(history, 1)), history.jobs()


SPOILED = [
    "UPDATE jobs SET started = 'yesterday'",
    "UPDATE jobs SET environment = '{'",
    "UPDATE steps SET started = '{026-01-05T12:00:00+00:00'",
    "UPDATE steps SET details = 'no JSON'",
    f"UPDATE readings SET flags = {1 << 30}",
    "UPDATE events SET facts = x'ff00'",
    "UPDATE waveforms SET samples = x'00'",
    "UPDATE blocks SET packed = x'00'",
    "UPDATE blocks SET count = count + 1",
    "UPDATE sittings SET started = ''",
]


@pytest.mark.parametrize("spoil", SPOILED)
def test_what_cannot_be_what_was_written_is_said_to_be_damaged(path, spoil):
    """Whichever column it stands in; the record is named."""
    all_of(path)
    with closing(sqlite3.connect(path)) as db:
        db.execute(spoil)
        db.commit()
    with pytest.raises(StoreError, match=r"damaged|form|readings"):
        all_of(path)


def test_a_file_with_flipped_bytes_or_cut_short_never_crashes_a_reader(path, tmp_path, monkeypatch):
    """Read, or refused in words; nothing is said by the garbage collector afterwards."""
    complaints = []
    monkeypatch.setattr(sys, "unraisablehook", complaints.append)
    whole, spoiled = path.read_bytes(), tmp_path / "spoiled.sqlite"
    random_ = random.Random(14)
    for _ in range(2000 if os.environ.get("BENCHRIG_HEAVY") else 25):
        data = bytearray(whole)
        if random_.random() < 0.2:
            data = data[: random_.randrange(len(data))]
        for _ in range(random_.choice((0, 1, 3, 20, 200)) if data else 0):
            data[random_.randrange(len(data))] = random_.randrange(256)
        spoiled.write_bytes(data)
        with suppress(StoreError):
            all_of(spoiled)
    gc.collect()
    assert complaints == []
