"""An option or a number that could have no effect is refused in a line; it is neither passed over nor a traceback."""

import pytest

from benchrig import cli

HUGE = "99999999999999999999999"
NIGHT = ["soak", "skerry14/soak"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([*NIGHT, "--bench", "skerry14/bench", "--fault", "intermittent fuse@3 h"], "--fault needs --simulated"),
        ([*NIGHT, "--bench", "skerry14/bench", "--seed", "7"], "--seed needs --simulated"),
        ([*NIGHT, "--simulated", "--try-alarms"], "--try-alarms is for a bench of your own"),
        ([*NIGHT, "--simulated", "--absent"], "--absent is for a bench of your own"),
        ([*NIGHT, "--simulated", "--operator", "Ida"], "--operator is for a bench of your own"),
        (["find", "--driver", "es51922"], "--driver is for --try"),
        (["find", "--bench", "skerry14/bench", "--host", "localhost"], "do not go with --bench"),
        (["find", "--try", "meter", "--bench", "skerry14/bench", "--address", "sim://meter"], "do not go with --try"),
        (["thin", "--older-than", "9999999999"], "--older-than"),
        (["thin", "--older-than", "1000000"], "--older-than"),
        (["jobs", HUGE], "JOB"),
        (["report", HUGE], "JOB"),
        (["export", HUGE], "JOB"),
    ],
)
def test_what_could_have_no_effect_is_refused(arguments, words, capsys, monkeypatch, tmp_path):
    """Exit code 2, one line that names it, and nothing is begun."""
    monkeypatch.setenv("BENCHRIG_RECORD", str(tmp_path / "record.sqlite"))
    assert cli.run(arguments) == 2
    told = capsys.readouterr()
    assert words in told.err
    assert told.err.count("\n") == 1
    assert not told.out
    assert not list(tmp_path.iterdir())


def test_a_unit_that_never_was_here_is_not_an_empty_record(tmp_path, capsys):
    """The record has a job, of another unit."""
    from datetime import UTC, datetime

    from benchrig.records import JobFacts, SqliteStore

    path = tmp_path / "record.sqlite"
    store = SqliteStore(path)
    facts = JobFacts("p", "Title", "abc", "p.toml", "Skerry 14", "SK14-0231", "Ida", "host", True, "0.1", "guarded")
    store.begin_job(facts, 0.0, datetime.now(UTC))
    store.close()
    assert cli.run(["jobs", "--serial", "SK14-0999", "--store", str(path)]) == 0
    assert "No jobs of unit 'SK14-0999' in this record" in capsys.readouterr().out
