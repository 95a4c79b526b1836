"""`benchrig thin`: old watches lose readings, nothing else does."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from benchrig import cli
from benchrig.readings import Reading
from benchrig.records import Block, History, JobFacts, SqliteStore, StepFacts

JOB = JobFacts("soak", "Soak", "abc", "soak.toml", "Skerry 14", "SK14-0231", "Marit", "lantern", True, "0.1", "guarded")
COUNT = 60_000


@pytest.fixture
def path(tmp_path):
    """A watch of a hundred days ago, and one of today; each with a trim's reading besides."""
    path = tmp_path / "record.sqlite"
    rng = np.random.default_rng(1)
    for days in (100, 0):
        store = SqliteStore(path)
        store.begin_job(JOB, 0.0, datetime.now(UTC) - timedelta(days=days))
        row = store.begin_step(StepFacts("s", "soak", "S", 1), 0.0, datetime.now(UTC))
        for start in range(0, COUNT, 600):
            times = 0.1 * (start + np.arange(600))
            store.block(row, "EHT", Block(times, rng.standard_normal(600), np.zeros(600, np.uint32), "V"))
        store.reading(row, "meter", Reading(9400.0, "V", 1.0))
        store.close()
    return path


def values(path, job):
    with History(path) as history:
        (step,) = history.steps(job)
        eht, meter = history.channels(step.row)
        assert [it.value for it in history.readings(meter)] == [9400.0]
        assert history.reading_count(job) == COUNT + 1
        envelope = history.envelope(eht, 10)
        return np.concatenate([it.values for it in history.blocks(eht)]), envelope


def test_old_watches_keep_their_extremes_and_young_ones_everything(path, capsys):
    """Least, mean and greatest as they were; the file gives the room back."""
    old, drawn = values(path, 1)
    young, _ = values(path, 2)
    before = path.stat().st_size
    assert cli.run(["thin", "--older-than", "30", "--to", "1 min", "--store", str(path)]) == 0
    assert "readings of watches from before" in capsys.readouterr().out
    left, drawn_after = values(path, 1)
    assert left.size < 0.02 * old.size
    assert (left.min(), left.max()) == (old.min(), old.max())
    assert drawn_after.mean.mean() == pytest.approx(drawn.mean.mean(), abs=0.01)
    assert np.array_equal(values(path, 2)[0], young)
    assert path.stat().st_size < 0.6 * before


def test_a_record_in_use_is_thinned_and_keeps_its_size(path, capsys):
    """A job that is running does not wait for it."""
    running = SqliteStore(path)
    running.begin_job(JOB, 0.0, datetime.now(UTC))
    before = path.stat().st_size
    assert cli.run(["thin", "--older-than", "30", "--store", str(path)]) == 0
    assert "keeps its size" in capsys.readouterr().out
    running.begin_step(StepFacts("s", "soak", "S", 1), 0.0, datetime.now(UTC))
    running.close()
    assert path.stat().st_size >= before
    assert values(path, 1)[0].size < 0.02 * COUNT


@pytest.mark.parametrize("words", [["--older-than", "0"], ["--older-than", "30", "--to", "0 s"], ["--to", "1 min"]])
def test_what_would_thin_what_is_hot_is_refused(path, words, capsys):
    """A file or command error, and nothing is touched."""
    assert cli.run(["thin", *words, "--store", str(path)]) == 2
    assert capsys.readouterr().err
    assert values(path, 1)[0].size == COUNT


def test_a_record_that_is_not_there_is_not_made(tmp_path):
    """A slip of the pen in the name."""
    assert cli.run(["thin", "--older-than", "30", "--store", str(tmp_path / "no.sqlite")]) == 2
    assert not list(tmp_path.iterdir())
