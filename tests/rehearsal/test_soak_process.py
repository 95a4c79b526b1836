"""`benchrig soak` as a process of its own on served doubles: killed, stopped for a while, its disk full."""

import errno
import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import contextmanager
from itertools import pairwise

import pytest
from rail_soak import wait_for, write_bench, write_soak

from benchrig.instruments import load_stand_in
from benchrig.records import History


@pytest.fixture(scope="module")
def doubles():
    with load_stand_in("launch")("skerry14", 0) as doubles:
        yield doubles


@pytest.fixture
def files(doubles, tmp_path):
    """A folder with the bench file of the served doubles."""
    write_bench(tmp_path / "bench.toml", doubles)
    return tmp_path


@contextmanager
def soaking(files, lasts="10 min", record="record.sqlite", out="out.jsonl", bench="bench.toml"):
    """The process, its first readings taken; killed in the end if it still runs."""
    write_soak(files / "rail.toml", lasts)
    command = [sys.executable, "-m", "benchrig", "soak", "rail.toml", "--bench", bench, "--absent", "--json"]
    with (files / out).open("w") as shown, (files / "err.txt").open("w") as err:
        process = subprocess.Popen([*command, "--store", str(record)], cwd=files, stdout=shown, stderr=err)
        try:
            wait_for(lambda: any(it["kind"] == "soak" and it["channels"][0]["value"] for it in lines(files, out)))
            yield process
        finally:
            process.kill()
            process.wait()


def lines(files, out="out.jsonl"):
    whole = (files / out).read_text().rpartition("\n")[0]
    return [json.loads(line) for line in whole.splitlines()]


def said(files):
    return [it["words"] for it in lines(files) if it["kind"] == "said"]


def recorded(record):
    """(job, times and values of the one channel)."""
    with History(record) as history:
        (job,) = history.jobs()
        (step,) = history.steps(job.id)
        readings = [it for channel in history.channels(step.row) for it in history.readings(channel)]
    return job, [(it.time, it.value) for it in readings]


def shown_readings(files):
    """Every value that was shown."""
    return [it["channels"][0]["value"] for it in lines(files) if it["kind"] == "soak" and it["channels"][0]["value"]]


@pytest.mark.parametrize("after", [0.1, 1.3, 2.9])
def test_killed_at_any_moment_what_was_shown_is_in_the_record(files, after):
    """SIGKILL; the file is whole and the job open."""
    with soaking(files) as process:
        time.sleep(after)
        process.send_signal(signal.SIGKILL)
        process.wait()
    assert sqlite3.connect(files / "record.sqlite").execute("PRAGMA integrity_check").fetchone() == ("ok",)
    job, readings = recorded(files / "record.sqlite")
    assert job.ended is None
    kept = {value for _, value in readings}
    assert set(shown_readings(files)) <= kept


def test_stopped_for_a_while_it_goes_on_and_says_so(files):
    """SIGSTOP as long as a laptop's lid; the hole is in the times of the readings, and nothing is made up for it."""
    pause = 60.0 if os.environ.get("BENCHRIG_HEAVY") else 12.0
    with soaking(files, lasts=f"{pause + 6.0} s") as process:
        process.send_signal(signal.SIGSTOP)
        time.sleep(pause)
        process.send_signal(signal.SIGCONT)
        assert process.wait(60.0) == 0, (files / "err.txt").read_text()
    assert any("stood still" in words for words in said(files))
    job, readings = recorded(files / "record.sqlite")
    assert job.exit_code == 0
    gaps = [b - a for (a, _), (b, _) in pairwise(readings)]
    assert pause - 2.0 < max(gaps) < pause + 8.0
    assert sorted(gaps)[-2] < 2.0


def fill(place):
    """Write until there is no more room."""
    with place.open("wb", buffering=0) as filler:
        try:
            while True:
                filler.write(b"\0" * 4096)
        except OSError as error:
            if error.errno != errno.ENOSPC:
                raise


def test_a_full_disk_is_said_and_everything_is_there_once_there_is_room(files):
    """A tmpfs of its own, filled up in the middle and emptied again."""
    if os.geteuid() != 0:
        pytest.skip("only root may mount a tmpfs; max_page_count stands for it in tests/records and tests/session")
    disk = files / "disk"
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=16m", "tmpfs", disk], check=True)
    try:
        with soaking(files, lasts="10 s", record=disk / "record.sqlite") as process:
            fill(disk / "filler")
            wait_for(lambda: any("cannot be written" in words for words in said(files)))
            time.sleep(2.0)
            (disk / "filler").unlink()
            wait_for(lambda: any("written again" in words for words in said(files)))
            assert process.wait(60.0) == 0, (files / "err.txt").read_text()
        job, readings = recorded(disk / "record.sqlite")
        assert job.exit_code == 0
        assert max(b - a for (a, _), (b, _) in pairwise(readings)) < 2.0
        assert set(shown_readings(files)) <= {value for _, value in readings}
    finally:
        subprocess.run(["umount", "-l", disk], check=True)


def test_a_record_that_cannot_be_written_at_all_is_refused_before_anything_starts(files):
    """A read-only file: exit code 2 and what to do, no instrument touched."""
    place = files / "record.sqlite"
    place.write_bytes(b"SQLite format 3\0" + b"\0" * 84)
    write_soak(files / "rail.toml", "5 s")
    command = [sys.executable, "-m", "benchrig", "soak", "rail.toml", "--bench", "bench.toml", "--absent"]
    done = subprocess.run(
        [*command, "--store", "/proc/version"], cwd=files, capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode in (2, 4)
    assert "Traceback" not in done.stderr
    assert "record" in done.stderr or "/proc/version" in done.stderr


def test_two_soaks_write_one_record_side_by_side(files):
    """Two benches, one file: both jobs are whole."""
    with load_stand_in("launch")("skerry14", 1) as others:
        write_bench(files / "other.toml", others)
        with soaking(files, lasts="6 s") as first:
            with soaking(files, lasts="3 s", out="second.jsonl", bench="other.toml") as second:
                assert second.wait(60.0) == 0
            assert first.wait(60.0) == 0
    with History(files / "record.sqlite") as history:
        jobs = history.jobs()
        assert [it.exit_code for it in jobs] == [0, 0]
        assert all(history.reading_count(it.id) > 15 for it in jobs)
