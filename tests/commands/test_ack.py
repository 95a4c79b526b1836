"""`benchrig ack`: from another terminal, through the record's folder, to the alarms of a running soak."""

import threading
from contextlib import contextmanager

import pytest

from benchrig import cli
from benchrig.alarms import Alarms
from benchrig.alarms.remote_ack import place
from benchrig.bench.model import AlarmSettings, CommandSpec
from benchrig.clock import SimClock
from benchrig.commands import alarms
from benchrig.commands.alarms import everybody
from benchrig.records import SqliteStore


@pytest.fixture
def record(tmp_path):
    SqliteStore(tmp_path / "record.sqlite").close()
    return tmp_path / "record.sqlite"


@contextmanager
def ticking(alarms, clock):
    """A soak in another thread."""
    ended = threading.Event()

    def tick():
        while not ended.wait(0.02):
            clock.sleep_until(clock.now() + 2.0)
            alarms.tick()

    thread = threading.Thread(target=tick)
    thread.start()
    yield
    ended.set()
    thread.join()


@pytest.mark.parametrize(("words", "taken"), [([], {"tp1", "tp2"}), (["tp2"], {"tp2"})])
def test_what_was_acknowledged_is_not_told_again(record, words, taken):
    """All of them, or the one that was named."""
    clock, told = SimClock(), []
    alarms = Alarms([], clock, told.append, record=record)
    alarms.raise_("tp1", "stop", "TP1 low")
    alarms.raise_("tp2", "stop", "TP2 low")
    with ticking(alarms, clock):
        assert cli.run(["ack", *words, "--by", "Ida", "--store", str(record)]) == 0
    assert {it.key for it in told if it.kind == "alarm acknowledged"} == taken
    assert {it.by for it in told if it.kind == "alarm acknowledged"} == {"Ida"}


def test_without_a_record_there_is_nothing_to_note(tmp_path, capsys):
    assert cli.run(["ack", "--store", str(tmp_path / "none.sqlite")]) == 2
    assert "none.sqlite" in capsys.readouterr().err


def test_a_note_that_no_soak_has_seen_is_said_to_be_and_taken_back(record, capsys, monkeypatch):
    """Nobody goes home believing that an alarm is acknowledged; and it does not silence the next soak."""
    monkeypatch.setattr(alarms, "PATIENCE", 0.2)
    assert cli.run(["ack", "--store", str(record)]) == 2
    assert "Is it running" in capsys.readouterr().err
    assert not place(record).exists()


def test_what_is_no_record_is_not_taken_for_that_of_a_soak(tmp_path, capsys):
    """Nothing is left beside it."""
    other = tmp_path / "other.db"
    other.write_bytes(b"no record at all" * 99)
    assert cli.run(["ack", "--store", str(other)]) == 2
    assert str(other) in capsys.readouterr().err
    assert not place(other).exists()


def test_whoever_is_within_hearing_is_told_first_and_then_whom_the_file_names():
    ring = CommandSpec("pager", "stop", 5.0, ("/usr/local/bin/ring",))
    assert [caller.name for caller in everybody(AlarmSettings(callers=(ring,)))] == ["sound", "pager"]
    assert [caller.name for caller in everybody(AlarmSettings(sound="off"))] == []
