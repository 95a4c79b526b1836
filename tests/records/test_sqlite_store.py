"""The record: what is written is there, whoever dies and whatever the disk does."""

import os
import signal
import sqlite3
import subprocess
import sys
import textwrap
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from benchrig.readings import Flag, Reading
from benchrig.records import (
    AcknowledgementFacts,
    History,
    InstrumentFacts,
    JobFacts,
    SqliteStore,
    StepFacts,
    StepResult,
    StoreError,
    default_path,
)
from benchrig.signals.waveform import Waveform

NOON = datetime(2026, 1, 5, 12, 0, tzinfo=UTC)
JOB = JobFacts(
    procedure="skerry14-adjust", title="Skerry 14", procedure_digest="abc", procedure_file="adjust.toml",
    unit="Skerry 14", serial="SK14-0231", operator="Marit", bench="lantern", simulated=True, version="0.1.0",
    rule="guarded", instruments=(InstrumentFacts("meter", "meter-scpi", "sim://meter", "id", "2027-01-01"),),
    environment={"temperature": 21.5},
)  # fmt: skip
STEP = StepFacts("eht", "trim", "EHT", 3, purpose="do", point="A4 TP40", trimmer="RV41")


@pytest.fixture
def path(tmp_path):
    return tmp_path / "deep" / "record.sqlite"


@pytest.fixture
def store(path):
    store = SqliteStore(path)
    yield store
    store.close()


def test_everything_given_comes_back(store, path):
    """A job with one step of everything."""
    job = store.begin_job(JOB, 100.0, NOON)
    row = store.begin_step(STEP, 101.0, NOON)
    taken = Reading(9400.25, "V", 101.5, Flag.DC | Flag.RANGE_CHANGED, resolution=0.1, uncertainty=38.0)
    store.reading(row, "meter", taken)
    store.reading(row, "meter", Reading(None, "V", 102.0, Flag.OVERLOAD))
    facts = AcknowledgementFacts("eht", "A4 TP40", 9400.0, "words", "Words", True, "Marit", "work")
    store.acknowledgement(row, facts, 101.2, NOON)
    store.mark(row, "RV41", "at two o'clock", 10100.0, "V", 101.3)
    gap = store.open_gap(row, "meter", "unplugged", 103.0, NOON)
    store.close_gap(gap, 104.5, NOON)
    store.event(row, "said", {"words": "é"}, 104.6, NOON)
    result = StepResult(
        "pass", 9400.0, "V", 38.0, 9250.0, 9550.0, 9100.0, 9800.0, "guarded", 0.99, 76.0, "preferred", ""
    )
    store.end_step(row, result, 105.0, NOON)
    store.end_job("all in tolerance", 0, 106.0, NOON)
    with History(path) as history:
        (listed,) = history.jobs(serial="SK14-0231")
        assert (listed.id, listed.outcome, listed.exit_code, listed.simulated) == (job, "all in tolerance", 0, True)
        assert listed.environment == {"temperature": 21.5}
        assert history.jobs(serial="SK14-0232") == []
        assert history.instruments(job) == list(JOB.instruments)
        (step,) = history.steps(job)
        assert (step.result, step.started_at, step.ended_at) == (result, 1.0, 5.0)
        (channel,) = history.channels(step.row)
        first, second = history.readings(channel)
        assert (first.value, first.time, first.flags, first.resolution, first.uncertainty) == (
            9400.25, 1.5, taken.flags, 0.1, 38.0
        )  # fmt: skip
        assert (second.value, second.flags) == (None, Flag.OVERLOAD)
        assert history.acknowledgements(job)[0]["typed"] == "Words"
        assert history.marks(job)[0]["value"] == 10100.0
        assert history.gaps(job)[0]["closed_us"] == 4_500_000
        assert history.events(job)[0]["facts"] == {"words": "é"}
        assert history.reading_count(job) == 2


@pytest.mark.parametrize("kind", ["u1", "i2", ">i2", "f8"])
def test_a_waveform_comes_back_sample_for_sample(store, path, kind):
    """Codes stay codes, and the scaling that makes volts of them is kept."""
    store.begin_job(JOB, 0.0, NOON)
    row = store.begin_step(STEP, 0.0, NOON)
    samples = np.arange(1000).astype(kind)
    wave = Waveform(samples, 1e-6) if kind == "f8" else Waveform.from_codes(samples, 0.01, -1.0, 1e-6, -5e-4)
    store.waveform(row, "scope:1", wave, 1.0)
    with History(path) as history:
        ((name, back),) = history.waveforms(row)
    assert name == "scope:1"
    assert np.array_equal(back.samples, wave.samples)
    assert np.array_equal(back.volts, wave.volts)
    assert (back.interval, back.start) == (wave.interval, wave.start)


WRITER = """
    import sys
    from datetime import UTC, datetime
    from benchrig.readings import Reading
    from benchrig.records import SqliteStore, JobFacts, StepFacts
    stamp = datetime(2026, 1, 5, tzinfo=UTC)
    store = SqliteStore(sys.argv[1])
    store.begin_job(JobFacts("p", "t", "d", "f", "u", "s", "o", "b", True, "v", "guarded"), 0.0, stamp)
    row = store.begin_step(StepFacts("s", "trim", "t", 1), 0.0, stamp)
    for n in range(10**9):
        store.reading(row, "meter", Reading(float(n), "V", n / 10))
        store.keep_alive(n / 10)
        print(n, flush=True)
"""


@pytest.mark.parametrize("shown", [1, 40, 1500])
def test_what_was_shown_survives_kill_9(path, shown):
    """Each printed number was committed before; nothing is damaged, and the next writer goes on."""
    program = [sys.executable, "-c", textwrap.dedent(WRITER), str(path)]
    with subprocess.Popen(program, stdout=subprocess.PIPE, text=True) as process:
        seen = [next(process.stdout) for _ in range(shown)]
        os.kill(process.pid, signal.SIGKILL)
        seen += list(process.stdout)
    whole = [line for line in seen if line.endswith("\n")]
    with History(path) as history:
        (job,) = history.jobs()
        assert job.ended is None
        (step,) = history.steps(job.id)
        values = [reading.value for reading in history.readings(history.channels(step.row)[0])]
        assert history.unfinished("s", "d") == job
    assert values[: len(whole)] == [float(n) for n in range(len(whole))]
    with sqlite3.connect(path) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    db.close()
    store = SqliteStore(path)
    store.resume_job(job.id, 5.0, NOON)
    store.end_job("all in tolerance", 0, 6.0, NOON)
    store.close()


def test_only_a_broken_off_job_can_be_resumed(store):
    job = store.begin_job(JOB, 0.0, NOON)
    store.end_job("all in tolerance", 0, 1.0, NOON)
    with pytest.raises(StoreError, match="has ended"):
        store.resume_job(job, 2.0, NOON)
    with pytest.raises(StoreError, match="no job 99"):
        store.resume_job(99, 2.0, NOON)


def test_a_reader_does_not_wait_for_the_writer(store, path):
    """Half-way through a big write the last commit is what is seen."""
    store.begin_job(JOB, 0.0, NOON)
    with History(path) as history:
        store._db.execute("BEGIN IMMEDIATE")
        assert len(history.jobs()) == 1
        store._db.execute("ROLLBACK")


def test_a_locked_record_is_named_with_its_cure(path, monkeypatch):
    """The writer waits a while, then says what is wrong."""
    monkeypatch.setattr("benchrig.records.sqlite.BUSY", 0.05)
    SqliteStore(path).close()
    with sqlite3.connect(path, isolation_level=None) as other:
        store = SqliteStore(path)
        job = store.begin_job(JOB, 0.0, NOON)
        row = store.begin_step(STEP, 0.0, NOON)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreError, match="Another program holds the record"):
            store.reading(row, "meter", Reading(1.0, "V"))
        other.execute("ROLLBACK")
        store.reading(row, "meter", Reading(2.0, "V"))
        store.close()
    other.close()
    with History(path) as history:
        assert history.reading_count(job) == 1


@pytest.mark.parametrize("content", [b"hello, this is no database at all" * 40, b"\x00" * 5000])
def test_another_file_is_left_alone(tmp_path, content):
    path = tmp_path / "notes.txt"
    path.write_bytes(content)
    for opening in (SqliteStore, History):
        with pytest.raises(StoreError):
            opening(path)
    assert path.read_bytes() == content


def test_another_programs_database_is_left_alone(tmp_path):
    path = tmp_path / "other.sqlite"
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE jobs (x)")
    db.close()
    with pytest.raises(StoreError, match="another program"):
        SqliteStore(path)
    with pytest.raises(StoreError, match="not a record"):
        History(path)


def test_a_newer_record_is_refused(path):
    SqliteStore(path).close()
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA user_version=999")
    db.close()
    with pytest.raises(StoreError, match="newer benchrig"):
        SqliteStore(path)


def test_a_full_disk_loses_nothing_that_was_written(path):
    """SQLite's own page limit stands in for the disk."""
    store = SqliteStore(path)
    job = store.begin_job(JOB, 0.0, NOON)
    row = store.begin_step(STEP, 0.0, NOON)
    pages = store._db.execute("PRAGMA page_count").fetchone()[0]
    store._db.execute(f"PRAGMA max_page_count={pages + 2}")
    written = []

    def fill():
        while True:
            store.readings(row, "meter", [Reading(1.0, "V", n) for n in range(100)])
            written.append(100)

    with pytest.raises(StoreError, match="Free some disk space"):
        fill()
    store.close()
    with History(path) as history:
        assert history.reading_count(job) == sum(written) > 0


def test_words_that_are_no_text_are_refused_plainly(store):
    """A serial number typed in another encoding reaches us like this (PEP 383)."""
    with pytest.raises(StoreError, match="no text in UTF-8"):
        store.begin_job(replace(JOB, serial="SK14-\udce9"), 0.0, NOON)
    assert store.begin_job(JOB, 0.0, NOON) == 1


def test_the_default_place_follows_xdg(monkeypatch):
    """XDG Base Directory Specification 0.8: relative values are ignored."""
    assert default_path({"XDG_DATA_HOME": "/data"}).as_posix() == "/data/benchrig/record.sqlite"
    monkeypatch.setenv("HOME", "/home/marit")
    assert default_path({}).as_posix() == "/home/marit/.local/share/benchrig/record.sqlite"
    assert default_path({"XDG_DATA_HOME": "rel"}) == default_path({})
    assert default_path({"BENCHRIG_RECORD": "/x/y.sqlite"}).as_posix() == "/x/y.sqlite"


def test_who_answered_is_kept_when_it_is_known(store):
    """Once, however often it is told; another one of the same name beside it, not instead of it."""
    store.begin_job(replace(JOB, instruments=()), 0.0, NOON)
    unknown = [InstrumentFacts("meter", "meter-scpi", "sim://meter", "", "2027-01-31")]
    first = [InstrumentFacts("meter", "meter-scpi", "sim://meter", "Maker, M1, 0042", "2027-01-31")]
    other = [InstrumentFacts("meter", "meter-scpi", "sim://meter", "Maker, M1, 0099", "2027-01-31")]
    for told in (unknown, first, first, unknown):
        store.instruments(told)
    store.resume_job(1, 5.0, NOON)
    store.instruments(first)
    store.instruments(other)
    store.close()
    with History(store.path) as history:
        (it,) = [it for it in history.instruments(1) if it.name == "meter"]
    assert it.identity == "Maker, M1, 0042; later Maker, M1, 0099"
