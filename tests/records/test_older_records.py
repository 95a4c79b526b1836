"""Records that an older benchrig left: read as they are, written on, brought up to date."""

import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from benchrig.readings import Flag, Reading
from benchrig.records import Block, History, JobFacts, SqliteStore, StepFacts, WrongRecord
from benchrig.records.schema import MIGRATIONS, VERSION, statements

FIRST = Path(__file__).with_name("first_version.sql")
NOON = datetime(2026, 2, 1, 12, 0, tzinfo=UTC)
JOB = JobFacts("soak", "Soak", "abc", "soak.toml", "Skerry 14", "SK14-0231", "Marit", "lantern", True, "0.1", "guarded")


@pytest.fixture
def path(tmp_path):
    """The record that was written by the code of the first version."""
    path = tmp_path / "record.sqlite"
    with closing(sqlite3.connect(path)) as db:
        db.executescript(FIRST.read_text("utf-8"))
    return path


def all_of(history):
    """What the first version's job says."""
    (step,) = history.steps(1)
    (channel,) = history.channels(step.row)
    readings = history.readings(channel)
    assert [it.value for it in readings] == [9400.25, 9401.25, 9402.25, 9403.25, 9404.25, None]
    assert readings[5].flags is Flag.OVERLOAD
    assert step.result is not None
    assert (step.result.verdict, step.result.value) == ("pass", 9400.0)
    assert history.reading_count(1) == 6
    assert history.envelope(channel).greatest.max() == 9404.25
    assert history.acknowledgements(1)[0]["typed"] == "Words"
    return history.job(1), step, readings


def test_it_is_read_as_it_is_and_not_changed(path):
    """A reader writes nothing, also where the tables are older than it."""
    before = path.read_bytes()
    with History(path) as history:
        all_of(history)
        assert history.jobs(serial="SK14-0231")[0].environment == {"temperature": 21.5}
    assert path.read_bytes() == before


def test_it_is_brought_up_to_date_and_goes_on(path):
    """Old jobs stay as they were, new ones have blocks; each migration is written down once."""
    with History(path) as history:
        before = all_of(history)
    store = SqliteStore(path)
    job = store.begin_job(JOB, 0.0, NOON)
    row = store.begin_step(StepFacts("soak", "soak", "Soak", 1), 0.0, NOON)
    store.block(row, "EHT", Block(np.arange(3.0), np.arange(3.0), np.zeros(3, np.uint32), "V"))
    store.close()
    SqliteStore(path).close()
    with History(path) as history:
        assert all_of(history) == before
        assert history.reading_count(job) == 3
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("SELECT version FROM migrations").fetchall() == [(n + 1,) for n in range(VERSION)]
        assert db.execute("PRAGMA user_version").fetchone() == (VERSION,)


def test_a_migration_that_fails_leaves_the_record_as_it_was(path, monkeypatch):
    """All or nothing: the older benchrig can still use it."""
    monkeypatch.setattr("benchrig.records.sqlite.MIGRATIONS", (*MIGRATIONS, ("bad", "")))
    monkeypatch.setattr("benchrig.records.sqlite.VERSION", VERSION + 1)
    monkeypatch.setattr(
        "benchrig.records.sqlite.statements", lambda number: ["CREATE TABLE half (x)", "CREATE TABLE half (x)"]
    )
    with pytest.raises(Exception, match="half already exists"):
        SqliteStore(path)
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (1,)
        assert db.execute("SELECT count(*) FROM sqlite_master WHERE name = 'half'").fetchone() == (0,)


@pytest.fixture
def third(path):
    """A record of the third version: a knob that stood elsewhere was `INVALID`, and a caution stood in words alone."""
    with closing(sqlite3.connect(path)) as db:
        for number in (2, 3):
            for statement in statements(number):
                db.execute(statement)
        db.execute("PRAGMA user_version=3")
        db.execute(
            "UPDATE readings SET flags = ?, value = NULL WHERE value IN (9400.25, 9401.25)", (Flag.INVALID.value,)
        )
        db.execute("UPDATE steps SET words = 'left alone; overshoot may be larger than shown'")
        db.commit()
    return path


def test_what_stood_in_words_before_there_were_flags_for_it_is_told_as_it_stands(third):
    """No reading gains or loses worth by a newer benchrig, read as it is or brought up to date."""
    for _ in range(2):
        with History(third) as history:
            (step,) = history.steps(1)
            (channel,) = history.channels(step.row)
            readings = history.readings(channel)
        assert [it.flags for it in readings[:2]] == [Flag.INVALID, Flag.INVALID]
        assert [it.usable for it in readings] == [False, False, True, True, True, False]
        assert step.result.words == "left alone; overshoot may be larger than shown"
        SqliteStore(third).close()


@pytest.mark.parametrize(("flag", "older"), [(Flag.WRONG_FUNCTION, 3), (Flag.PROVISIONAL, 4), (Flag.MOVES, 4)])
def test_flags_that_an_older_one_does_not_know_are_not_shown_to_it(tmp_path, monkeypatch, flag, older):
    """It says that the record is newer; it does not stumble over a number half-way through."""
    store = SqliteStore(tmp_path / "record.sqlite")
    store.begin_job(JOB, 0.0, NOON)
    row = store.begin_step(StepFacts("rail", "measure", "Rail", 1), 0.0, NOON)
    store.reading(row, "meter", Reading(None, "V", 1.0, flag))
    store.close()
    monkeypatch.setattr("benchrig.records.history.VERSION", older)
    with pytest.raises(WrongRecord, match="newer benchrig"):
        History(tmp_path / "record.sqlite")


def test_the_newest_flag_is_named_by_the_newest_migration_that_names_flags():
    """A flag that is added without a migration would be read by an older benchrig as a number without a name."""
    *_, newest = Flag
    naming = [title for title, script in MIGRATIONS if not script]
    assert str(newest.name) in naming[-1]


def test_migrations_only_add(path):
    """What the reader of older records rests on."""
    for _, script in MIGRATIONS:
        for statement in filter(None, map(str.strip, script.split(";"))):
            assert statement.startswith(("CREATE TABLE ", "CREATE INDEX "))
