"""The record in trouble: disk full, read-only, another writer, a process that stood still, clocks that moved."""

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import textwrap
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from benchrig.records import Block, History, JobFacts, SqliteStore, StepFacts, StoreError

NOON = datetime(2026, 1, 5, 12, 0, tzinfo=UTC)
JOB = JobFacts("soak", "Soak", "abc", "soak.toml", "Skerry 14", "SK14-0231", "Marit", "lantern", True, "0.1", "guarded")
STEP = StepFacts("soak", "soak", "Soak", 1)
NOBODY = 65534
ROOT = os.geteuid() == 0
STANDS_STILL = 60.0 if os.environ.get("BENCHRIG_HEAVY") else 0.2  # s


def block(start, count=1):
    """Readings whose values are their numbers."""
    numbers = np.arange(start, start + count, dtype=np.float64)
    return Block(numbers, numbers, np.zeros(count, np.uint32), "V")


def values(path, job=1):
    """All of the one channel of a job."""
    with History(path) as history:
        (channel,) = history.channels(history.steps(job)[0].row)
        return np.concatenate([it.values for it in history.blocks(channel)])


@pytest.fixture
def path(tmp_path):
    return tmp_path / "record.sqlite"


FILLER = """
    import resource, signal, sys, numpy as np
    from datetime import UTC, datetime
    from benchrig.records import Block, JobFacts, SqliteStore, StepFacts, StoreError
    store = SqliteStore(sys.argv[1])
    noon = datetime(2026, 1, 5, 12, 0, tzinfo=UTC)
    store.begin_job(JobFacts(*["x"] * 8, True, "0", "guarded"), 0.0, noon)
    row = store.begin_step(StepFacts("s", "soak", "S", 1), 0.0, noon)
    if sys.argv[2] == "limit":
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (700_000, resource.RLIM_INFINITY))
    noise, done = np.random.default_rng(1).standard_normal(10**5), 0

    def write(count):
        global done
        for _ in range(count):
            at = np.arange(done, done + 10.0)
            store.block(row, "EHT", Block(at, at + noise[done % 10**5], np.zeros(10, np.uint32), "V"))
            done += 10
            store.keep_alive(at[-1])

    for round in range(3):
        try:
            write(10**6)
        except StoreError as error:
            try:
                write(1)  # may find room where a larger transaction found none
            except StoreError:
                pass
            print(done, error, flush=True)
            sys.stdin.readline()
            resource.setrlimit(resource.RLIMIT_FSIZE, (700_000 + 200_000 * (round + 1), resource.RLIM_INFINITY))
    resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    sys.stdin.readline()
    write(10)
    store.close()
    print(done, "done", flush=True)
"""


@contextmanager
def small_disk(folder):
    """A real file system of two megabytes."""
    command = ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(folder)]
    if not ROOT or subprocess.run(command, check=False).returncode:
        pytest.skip("only root may mount a small disk; the limit on the file, below, stands for it")
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def fill(path, kind, make_room):
    """Fill what is there three times, make room each time. Returns the lines that were told."""
    command = [sys.executable, "-c", textwrap.dedent(FILLER), str(path), kind]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as child:
        lines = []
        for number in range(3):
            lines.append(child.stdout.readline())
            count = int(lines[-1].split()[0])
            assert values(path).size == count > 0, lines
            make_room(number)
            child.stdin.write("\n")
            child.stdin.flush()
        child.stdin.write("\n")
        child.stdin.close()
        lines += child.stdout.readlines()
    return lines


def held_whole(path, lines):
    """Three times in trouble, each told; in the end everything that was committed, once."""
    counts = [int(line.split()[0]) for line in lines]
    assert counts == sorted(counts)
    assert lines[-1].endswith("done\n")
    assert len(lines) == 4
    noise = np.random.default_rng(1).standard_normal(10**5)
    at = np.arange(counts[-1])
    assert np.array_equal(values(path), at + np.repeat(noise[at[::10] % 10**5], 10))


def test_a_full_disk_is_said_and_the_record_goes_on_when_there_is_room(tmp_path):
    """A real small tmpfs, filled to the last page three times: nothing that was committed is lost."""
    disk = tmp_path / "disk"
    disk.mkdir()
    with small_disk(disk):
        ballast = [disk / f"ballast{i}" for i in range(3)]
        for file in ballast:
            file.write_bytes(bytes(400_000))
        lines = fill(disk / "record.sqlite", "disk", lambda number: ballast[number].unlink())
        assert all("disk" in line and "Free some disk space" in line for line in lines[:3])
        held_whole(disk / "record.sqlite", lines)


def test_a_limit_on_the_file_is_said_and_the_record_goes_on_without_it(path):
    """The shell's `ulimit -f`: also what a quota looks like."""
    lines = fill(path, "limit", lambda number: None)
    assert all("Cannot write the record" in line and "a quota reached?" in line for line in lines[:3])
    held_whole(path, lines)


def test_a_record_whose_first_writer_died_at_once_is_an_empty_one(path):
    """Made and not yet filled: no jobs, no complaint, and the next writer goes on with it."""
    sqlite3.connect(path).execute("PRAGMA journal_mode=WAL").connection.close()
    with History(path) as history:
        assert history.jobs() == []
    store = SqliteStore(path)
    assert store.begin_job(JOB, 0.0, NOON) == 1
    store.close()


@contextmanager
def somebody_else():
    """Root may write everything: become nobody for a while."""
    if ROOT:
        os.seteuid(NOBODY)
    try:
        yield
    finally:
        if ROOT:
            os.seteuid(0)


@pytest.fixture
def archive():
    """A record with three readings in a folder that cannot be written."""
    folder = Path(tempfile.mkdtemp(prefix="benchrig-archive-"))
    store = SqliteStore(folder / "record.sqlite")
    store.begin_job(JOB, 0.0, NOON)
    store.block(store.begin_step(STEP, 0.0, NOON), "EHT", block(0, 3))
    store.close()
    (folder / "record.sqlite").chmod(0o444)
    folder.chmod(0o555)
    yield folder
    folder.chmod(0o755)
    shutil.rmtree(folder)


def test_a_read_only_record_is_read_and_not_written(archive):
    """An archive, or somebody else's folder: jobs and reports work, writing is refused with the cure."""
    path = archive / "record.sqlite"
    before = path.read_bytes()
    with somebody_else():
        with pytest.raises(StoreError, match=r"record\.sqlite.*(write permission|permissions)"):
            SqliteStore(path)
        assert values(path).tolist() == [0.0, 1.0, 2.0]
    assert path.read_bytes() == before
    assert sorted(it.name for it in archive.iterdir()) == ["record.sqlite"]


def test_a_read_only_file_in_a_folder_of_ones_own_is_refused_with_the_cure(archive):
    """Only the file itself is read-only."""
    archive.chmod(0o777)
    with somebody_else():
        with pytest.raises(StoreError, match="write permission"):
            SqliteStore(archive / "record.sqlite")
        assert values(archive / "record.sqlite").size == 3


def test_an_archive_of_a_broken_off_record_says_what_to_do(archive):
    """Its log lies beside it, and SQLite may not look into that there."""
    archive.chmod(0o755)
    store = SqliteStore(archive / "other.sqlite")
    store.begin_job(JOB, 0.0, NOON)
    for end in ("", "-wal"):
        shutil.copy(archive / f"other.sqlite{end}", archive / f"copy.sqlite{end}")
    store.close()
    archive.chmod(0o555)
    with somebody_else(), pytest.raises(StoreError, match="with the -wal file beside it"):
        History(archive / "copy.sqlite").jobs()


STARTER = """
    import sys, numpy as np
    from datetime import UTC, datetime
    from benchrig.records import JobFacts, SqliteStore
    print("ready", flush=True)
    sys.stdin.readline()
    store = SqliteStore(sys.argv[1])
    store.begin_job(JobFacts(*["x"] * 8, True, "0", "guarded"), 0.0, datetime(2026, 1, 5, 12, 0, tzinfo=UTC))
    store.close()
"""


def test_programs_that_make_the_record_at_the_same_moment_all_get_it(path):
    """Nobody's tables are made twice; each has its job."""
    command = [sys.executable, "-c", textwrap.dedent(STARTER), str(path)]
    pipe = subprocess.PIPE
    children = [subprocess.Popen(command, stdin=pipe, stdout=pipe, text=True) for _ in range(4)]
    assert all(child.stdout.readline() for child in children)
    for child in children:
        child.stdin.write("\n")
        child.stdin.flush()
    for child in children:
        child.communicate()
    assert [child.returncode for child in children] == [0] * 4
    with History(path) as history:
        assert len(history.jobs()) == 4


def test_a_folder_that_cannot_be_made_is_said(archive):
    """The default place on a home that is read-only."""
    with somebody_else(), pytest.raises(StoreError, match=r"Cannot open the record .*deep.*permissions"):
        SqliteStore(archive / "deep" / "record.sqlite")


LOOPER = """
    import sys, numpy as np
    from datetime import UTC, datetime
    from benchrig.records import Block, JobFacts, SqliteStore, StepFacts
    store = SqliteStore(sys.argv[1])
    noon = datetime(2026, 1, 5, 12, 0, tzinfo=UTC)
    store.begin_job(JobFacts(*["x"] * 8, True, "0", "guarded"), 0.0, noon)
    row = store.begin_step(StepFacts("s", "soak", "S", 1), 0.0, noon)
    for i in range(10**9):
        store.block(row, "EHT", Block(np.array([float(i)]), np.array([float(i)]), np.zeros(1, np.uint32), "V"))
        store.keep_alive(float(i))
        print(i, flush=True)
"""


def test_a_writer_that_stood_still_goes_on_and_others_were_not_held_up(path, monkeypatch):
    """SIGSTOP, as a laptop's lid or a debugger does it; another writer works meanwhile, or is told why not."""
    monkeypatch.setattr("benchrig.records.sqlite.BUSY", 0.1)
    command = [sys.executable, "-c", textwrap.dedent(LOOPER), str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
        for _ in range(50):
            child.stdout.readline()
        os.kill(child.pid, signal.SIGSTOP)
        os.waitid(os.P_PID, child.pid, os.WSTOPPED)
        written = beside(path)
        stood_still(STANDS_STILL)
        os.kill(child.pid, signal.SIGCONT)
        while (told := int(child.stdout.readline())) < 500:
            pass
        os.kill(child.pid, signal.SIGKILL)
    found = values(path)
    assert found.size > told
    assert np.array_equal(found, np.arange(found.size))
    if written:
        assert values(path, 2).size == written


def stood_still(seconds):
    """Real time, for what stands still is another process."""
    signal.setitimer(signal.ITIMER_REAL, seconds)
    signal.sigwait({signal.SIGALRM})


@pytest.fixture(autouse=True)
def _alarm_is_waited_for():
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGALRM})
    yield
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGALRM})


def beside(path):
    """Another program writes a job of its own. How many readings it could write: none where it was told of a lock."""
    try:
        store = SqliteStore(path)
    except StoreError as error:
        told = str(error)
    else:
        store.begin_job(JOB, 0.0, NOON)
        row = store.begin_step(STEP, 0.0, NOON)
        for i in range(200):
            store.block(row, "EHT", block(i))
        store.close()
        return 200
    assert "Another program holds the record" in told
    return 0


def test_a_clock_that_was_set_or_stood_still_is_noted_once(path):
    """Both ways: a step of the wall clock, and a suspended machine, whose monotonic clock stood still."""
    store = SqliteStore(path)
    store.begin_job(JOB, 100.0, NOON)
    stamps = [(110.0, 10.0), (120.0, 21.9), (130.0, 31.9), (140.0, 3641.9), (150.0, 3651.9), (160.0, 60.0)]
    moved = [store.note_clock(now, NOON + timedelta(seconds=wall)) for now, wall in stamps]
    store.close()
    assert moved == pytest.approx([0.0, 0.0, 0.0, 3600.0, 0.0, -3601.9])
    with History(path) as history:
        noted = [(it["at_us"], it["facts"]["moved"]) for it in history.events(1) if it["kind"] == "clock"]
    assert noted == [(40_000_000, pytest.approx(3600.0)), (60_000_000, pytest.approx(-3601.9))]


def test_the_hour_that_summer_time_repeats_is_two_hours_in_the_record(path):
    """Directive 2000/84/EC: on the last Sunday in October, at 01:00 UTC, Oslo's clocks go from 03:00 back to 02:00."""
    oslo = ZoneInfo("Europe/Oslo")
    first = datetime(2026, 10, 25, 2, 30, tzinfo=oslo, fold=0)
    second = datetime(2026, 10, 25, 2, 30, tzinfo=oslo, fold=1)
    store = SqliteStore(path)
    store.begin_job(JOB, 0.0, first)
    assert store.note_clock(3600.0, second) == 0.0
    store.end_job("all in tolerance", 0, 3600.0, second)
    store.close()
    with History(path) as history:
        job = history.job(1)
        assert job.ended - job.started == timedelta(hours=1)
        assert job.started.utcoffset() == timedelta(0)
