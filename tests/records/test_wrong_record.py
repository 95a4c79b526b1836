"""A record that is none, or not there, is a mistake of the command: exit code 2. Trouble with a disk is not."""

import sqlite3

import pytest

from benchrig.records import History, SqliteStore, StoreError, open_history, open_store


def newer(path):
    SqliteStore(path).close()
    with sqlite3.connect(path) as record:
        record.execute("PRAGMA user_version=999")
    record.close()


def no_database(path):
    path.write_bytes(b"as found: 10.1 kV" * 100)


def foreign(path):
    with sqlite3.connect(path) as other:
        other.execute("CREATE TABLE songs (title)")
    other.close()


@pytest.mark.parametrize("make", [newer, no_database, foreign])
@pytest.mark.parametrize("opened", [open_history, open_store])
def test_what_is_no_record_is_a_mistake_of_the_command(make, opened, tmp_path):
    """It says what it is and names a way on, and the file stays as it was."""
    path = tmp_path / "record.db"
    make(path)
    before = path.read_bytes()
    with pytest.raises(StoreError) as caught:
        opened(path)
    assert caught.value.exit_code == 2
    assert str(path) in str(caught.value)
    assert caught.value.next_step
    assert path.read_bytes() == before


def test_a_record_or_a_job_that_is_not_there_is_a_mistake_of_the_command(tmp_path):
    """Exit code 2, as for any other file that is not there."""
    with pytest.raises(StoreError) as missing:
        History(tmp_path / "nothing.db")
    SqliteStore(tmp_path / "record.db").close()
    with History(tmp_path / "record.db") as history, pytest.raises(StoreError) as no_job:
        history.job(7)
    assert (missing.value.exit_code, no_job.value.exit_code) == (2, 2)


@pytest.mark.parametrize("opened", [open_history, open_store])
def test_the_address_of_something_else_is_not_taken_for_a_file(opened, tmp_path, monkeypatch):
    """No folder `mysql:` is made."""
    monkeypatch.chdir(tmp_path)
    with pytest.raises(StoreError, match="postgresql://") as caught:
        opened("mysql://host/database")
    assert caught.value.exit_code == 2
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_made_is_said_in_words(tmp_path):
    """No number of the system, no Python: what, and what to do."""
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError) as caught:
        open_store(tmp_path / "file" / "folder" / "record.db")
    assert "Not a directory" in str(caught.value)
    assert "Errno" not in str(caught.value)
    assert "--store" in caught.value.next_step
