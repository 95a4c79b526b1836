"""`benchrig noted`: from another terminal, through the record's folder, to the alarms of a running soak."""

import pytest

from benchrig import cli
from benchrig.alarms import Alarms
from benchrig.bench.model import AlarmSettings, CommandSpec
from benchrig.clock import SimClock
from benchrig.commands.ringing import everybody
from benchrig.records import SqliteStore


@pytest.fixture
def record(tmp_path):
    SqliteStore(tmp_path / "record.sqlite").close()
    return tmp_path / "record.sqlite"


@pytest.mark.parametrize(("words", "taken"), [([], {"tp1", "tp2"}), (["tp2"], {"tp2"})])
def test_what_was_noted_is_not_told_again(record, words, taken):
    """All of them, or the one that was named."""
    clock, told = SimClock(), []
    alarms = Alarms([], clock, told.append, record=record)
    alarms.raise_("tp1", "stop", "TP1 low")
    alarms.raise_("tp2", "stop", "TP2 low")
    assert cli.run(["noted", *words, "--by", "Ida", "--store", str(record)]) == 0
    clock.sleep_until(2.0)
    alarms.tick()
    assert {it.key for it in told if it.kind == "alarm acknowledged"} == taken
    assert {it.by for it in told if it.kind == "alarm acknowledged"} == {"Ida"}


def test_without_a_record_there_is_nothing_to_note(tmp_path, capsys):
    assert cli.run(["noted", "--store", str(tmp_path / "none.sqlite")]) == 2
    assert "--store" in capsys.readouterr().err


def test_whoever_is_within_hearing_is_told_first_and_then_whom_the_file_names():
    ring = CommandSpec("pager", "stop", 5.0, ("/usr/local/bin/ring",))
    assert [caller.name for caller in everybody(AlarmSettings(callers=(ring,)))] == ["sound", "pager"]
    assert [caller.name for caller in everybody(AlarmSettings(sound="off"))] == []
