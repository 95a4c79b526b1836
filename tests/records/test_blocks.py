"""Blocks of readings: bit for bit, joined, thinned, drawn; and whole whoever dies."""

import math
import os
import signal
import sqlite3
import subprocess
import sys
import textwrap
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from benchrig.readings import Flag, Reading
from benchrig.records import Block, History, JobFacts, SqliteStore, StepFacts, StepResult, StoreError
from benchrig.records.blocks import LARGE, BlockPiece, thinned
from benchrig.records.packing import pack, unpack

NOON = datetime(2026, 1, 5, 12, 0, tzinfo=UTC)
JOB = JobFacts("soak", "Soak", "abc", "soak.toml", "Skerry 14", "SK14-0231", "Marit", "lantern", True, "0.1", "guarded")
STEP = StepFacts("soak", "soak", "Soak", 1)

any_values = hnp.arrays(np.float64, st.integers(1, 300), elements=st.floats(allow_nan=True, allow_infinity=True))


def block(values, start=0.0, interval=0.1, flags=None, resolution=None):
    values = np.asarray(values, dtype=np.float64)
    some = np.zeros(values.size, np.uint32) if flags is None else np.asarray(flags, np.uint32)
    return Block(start + interval * np.arange(values.size), values, some, "V", resolution)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "record.sqlite"


@pytest.fixture
def store(path):
    store = SqliteStore(path)
    store.begin_job(JOB, 0.0, NOON)
    yield store
    store.close()


def blocks_in(path):
    return sqlite3.connect(path).execute("SELECT count FROM blocks ORDER BY from_us").fetchall()


def read(path, name="EHT"):
    """All of one channel in columns."""
    with History(path) as history:
        channel = next(it for it in history.channels(history.steps(1)[-1].row) if it.name == name)
        parts = list(history.blocks(channel))
        return tuple(np.concatenate([getattr(it, column) for it in parts]) for column in ("times", "values", "flags"))


@given(any_values, st.data())
def test_what_is_packed_comes_back_bit_for_bit(values, data):
    """Any times, any values, nan included, any flags."""
    n = values.size
    times = data.draw(hnp.arrays(np.int64, n, elements=st.integers(-(2**50), 2**50)))
    flags = data.draw(hnp.arrays(np.uint32, n))
    back = unpack(pack(times, values, flags), int(times[0]), n)
    assert np.array_equal(back[0], times)
    assert back[1].tobytes() == values.tobytes()
    assert np.array_equal(back[2], flags)


def test_a_damaged_block_is_said_and_never_read():
    """Cut, flipped, of another form, of another count."""
    packed = pack(np.arange(200), np.zeros(200), np.zeros(200, np.uint32))
    for bad in (packed[:-3], packed[:40] + b"\0" * 20 + packed[60:], b"\7" + packed[1:], b""):
        with pytest.raises(StoreError):
            unpack(bad, 0, 200)
    with pytest.raises(StoreError, match="201 readings"):
        unpack(packed, 0, 201)


def test_small_blocks_are_joined_and_nothing_is_lost_or_doubled(store, path):
    """Three readings at a time, as they come live."""
    row = store.begin_step(STEP, 0.0, NOON)
    values = np.random.default_rng(1).standard_normal(3 * LARGE)
    for start in range(0, values.size, 3):
        store.block(row, "EHT", block(values[start : start + 3], start * 0.1))
    assert len(blocks_in(path)) < 10 + LARGE // 3
    store.end_step(row, StepResult("pass"), 1e4, NOON)
    assert len(blocks_in(path)) <= 4
    times, back, _ = read(path)
    assert np.array_equal(back, values)
    assert np.allclose(times, 0.1 * np.arange(values.size), atol=1e-6)


def test_a_reader_sees_every_reading_although_blocks_are_joined_meanwhile(store, path):
    """What it has not come to yet does not move away behind it."""
    row = store.begin_step(STEP, 0.0, NOON)
    for start in range(300):
        store.block(row, "EHT", block([float(start)], float(start)))
    with History(path) as history:
        parts = history.blocks(history.channels(row)[0])
        first = next(parts)
        store.block(row, "EHT", block(np.arange(300.0, LARGE), 300.0, 1.0))
        store.end_step(row, StepResult("pass"), 1e6, NOON)
        found = np.concatenate([first.values, *(it.values for it in parts)])
        assert np.array_equal(found, np.arange(300.0))
        again = np.concatenate([it.values for it in history.blocks(history.channels(row)[0])])
    assert np.array_equal(again, np.arange(float(LARGE)))


def test_readings_and_blocks_of_one_channel_come_back_together(store, path):
    """In order of time, with flags and without numbers that were none."""
    row = store.begin_step(STEP, 0.0, NOON)
    store.reading(row, "EHT", Reading(1.0, "V", 0.5, Flag.DC))
    store.block(row, "EHT", block([2.0, math.nan], 1.0, 1.0, [0, Flag.OVERLOAD.value], 0.01))
    store.reading(row, "EHT", Reading(3.0, "V", 1.5))
    with History(path) as history:
        channel = history.channels(row)[0]
        got = history.readings(channel)
        assert [(it.time, it.value) for it in got] == [(0.5, 1.0), (1.0, 2.0), (1.5, 3.0), (2.0, None)]
        assert got[3].flags is Flag.OVERLOAD
        assert history.reading_count(1) == 4


def test_the_envelope_holds_every_extreme(store, path):
    """Of a million readings in large blocks, and of a few thousand that must be unpacked."""
    rng = np.random.default_rng(2)
    for name, size, count in (("many", 1000, 1000), ("few", 50, 40)):
        row = store.begin_step(STEP, 0.0, NOON)
        values = rng.standard_normal((count, size))
        values[count // 3, size // 2] = 99.0
        for i, part in enumerate(values):
            store.block(row, name, block(part, i * size * 0.1))
        with History(path) as history:
            channel = history.channels(row)[0]
            drawn = history.envelope(channel, 500)
        assert 100 <= drawn.times.size <= 1000
        assert drawn.greatest.max() == 99.0
        assert drawn.least.min() == values.min()
        assert np.all(drawn.least <= drawn.mean)
        assert np.all(drawn.mean <= drawn.greatest)
        assert np.all(np.diff(drawn.times) > 0)


def test_readings_that_may_not_be_judged_are_in_no_envelope(store, path):
    """An overloaded display shows no kilovolts."""
    row = store.begin_step(STEP, 0.0, NOON)
    flags = np.zeros(600, np.uint32)
    flags[300] = Flag.HOLD.value
    values = np.ones(600)
    values[300] = 1e6
    store.block(row, "EHT", block(values, flags=flags))
    with History(path) as history:
        assert history.envelope(history.channels(row)[0]).greatest.max() == 1.0


values_and_flags = st.integers(70, 400).flatmap(
    lambda n: st.tuples(
        hnp.arrays(np.float64, n, elements=st.floats(-1e6, 1e6)),
        hnp.arrays(np.uint32, n, elements=st.sampled_from([0, 0, 0, 0, Flag.OVERLOAD.value])),
    )
)


@given(values_and_flags, st.integers(1, 50))
def test_thinning_keeps_every_extreme_of_every_stretch(what, stretch):
    """And the first, the last, and each change of flags."""
    values, flags = what
    times = np.arange(values.size, dtype=np.int64) * 100_000
    piece = BlockPiece(times, values, flags, None)
    kept = thinned(piece, stretch * 100_000)
    assert kept[0]
    assert kept[-1]
    assert np.all(kept[1:][flags[1:] != flags[:-1]])
    usable = flags == 0
    for number in np.unique(times[usable] // (stretch * 100_000)):
        here = usable & (times // (stretch * 100_000) == number)
        assert values[here & kept].min() == values[here].min()
        assert values[here & kept].max() == values[here].max()


def test_old_readings_are_thinned_and_new_ones_are_not(store, path):
    """A tenth of the bytes; extremes, counts and means as they were."""
    row = store.begin_step(STEP, 0.0, NOON)
    values = np.random.default_rng(3).standard_normal((40, 1000))
    for i, part in enumerate(values):
        store.block(row, "EHT", block(part, i * 100.0))
    with History(path) as history:
        before = history.envelope(history.channels(row)[0], 20)
    gone = store.thin(NOON + timedelta(seconds=2000), 10.0)
    assert gone > 0.9 * 20_000
    with History(path) as history:
        channel = history.channels(row)[0]
        after = history.envelope(channel, 20)
        assert history.reading_count(1) == 40_000
        kept = np.concatenate([it.values for it in history.blocks(channel)])
    for one, other in zip(before, after, strict=True):
        assert np.allclose(one, other)
    assert np.array_equal(kept[-19_000:], values.reshape(-1)[-19_000:])
    assert store.thin(NOON + timedelta(seconds=2000), 10.0) == 0


WRITER = """
    import sys, numpy as np
    from datetime import UTC, datetime, timedelta
    from benchrig.records import Block, JobFacts, SqliteStore, StepFacts
    store = SqliteStore(sys.argv[1])
    noon = datetime(2026, 1, 5, 12, 0, tzinfo=UTC)
    store.begin_job(JobFacts(*["x"] * 8, True, "0", "guarded"), 0.0, noon)
    row = store.begin_step(StepFacts("s", "soak", "S", 1), 0.0, noon)
    for i in range(10**9):
        times = 0.1 * (3 * i + np.arange(3))
        store.block(row, "EHT", Block(times, times.copy(), np.zeros(3, np.uint32), "V"))
        print(i, flush=True)
"""


@pytest.mark.parametrize("after", [5, 700, 1364, 1500])
def test_a_killed_writer_leaves_every_block_that_it_was_told_is_safe(path, after):
    """Also in the middle of joining; no reading twice; the file whole."""
    child = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(WRITER), str(path)], stdout=subprocess.PIPE, text=True
    )
    assert child.stdout is not None
    told = -1
    for line in child.stdout:
        told = int(line)
        if told >= after:
            break
    os.kill(child.pid, signal.SIGKILL)
    told = max([told, *(int(line) for line in child.stdout.read().split() if line.isdecimal())])
    child.wait()
    child.stdout.close()
    assert sqlite3.connect(path).execute("PRAGMA integrity_check").fetchone() == ("ok",)
    times, values, _ = read(path)
    assert times.size >= 3 * (told + 1)
    assert np.allclose(values, 0.1 * np.arange(values.size))
    assert np.allclose(times, 0.1 * np.arange(times.size), atol=1e-6)


def test_a_full_disk_is_said_and_writing_goes_on_afterwards(store, path):
    """SQLite's own limit of pages stands for the disk: nothing committed is lost, nothing half written."""
    row = store.begin_step(STEP, 0.0, NOON)
    rng = np.random.default_rng(4)
    pages = store._db.execute("PRAGMA page_count").fetchone()[0]
    store._db.execute(f"PRAGMA max_page_count={pages + 10}")
    done = 0

    def fill():
        nonlocal done
        for i in range(1000):
            store.block(row, "EHT", block(rng.standard_normal(600), i * 60.0))
            done += 600

    with pytest.raises(StoreError, match=r"full.*Free some disk space"):
        fill()
    store._db.execute("PRAGMA max_page_count=1073741823")
    store.block(row, "EHT", block([7.0], 1e6))
    values = read(path)[1]
    assert values.size == done + 1
    assert values[-1] == 7.0


def test_two_writers_take_turns(store, path):
    """Two programs at one record: both are written, neither waits for good."""
    other = SqliteStore(path)
    row = store.begin_step(STEP, 0.0, NOON)
    other.begin_job(JOB, 0.0, NOON)
    row2 = other.begin_step(STEP, 0.0, NOON)
    for i in range(50):
        store.block(row, "EHT", block([1.0], float(i)))
        other.block(row2, "EHT", block([2.0], float(i)))
    other.close()
    with History(path) as history:
        assert (history.reading_count(1), history.reading_count(2)) == (50, 50)


def test_a_record_held_by_another_program_is_said(store, path):
    """A lock that is not let go."""
    holder = sqlite3.connect(path, isolation_level=None)
    row = store.begin_step(STEP, 0.0, NOON)
    holder.execute("BEGIN IMMEDIATE")
    store._db.execute("PRAGMA busy_timeout=50")
    with pytest.raises(StoreError, match="locked"):
        store.block(row, "EHT", block([1.0]))
    holder.execute("ROLLBACK")
    store.block(row, "EHT", block([1.0]))
    holder.close()
