"""What a job writes to goes away in the middle: it ends in order, and a question never stands among its lines."""

import json
import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest
from short_job import EHT, HAZARD, HEAD, RAIL

from benchrig.records import History

HEAVY = pytest.mark.skipif(not os.environ.get("BENCHRIG_HEAVY"), reason="a quarter of a minute")
PROGRAM = str(Path(sys.executable).with_name("benchrig"))


def short(folder: Path, steps: str = RAIL) -> list[str]:
    file = folder / "short.toml"
    file.write_text(HEAD + (HAZARD if "hazard" in steps else "") + steps)
    return [PROGRAM, "rehearse", str(file), "--store", str(folder / "record.sqlite")]


def last_job(folder: Path):
    with History(folder / "record.sqlite") as history:
        return history.jobs()[0]


@pytest.mark.parametrize(
    ("steps", "after"),
    [(RAIL + RAIL.replace('"rail"', '"again"'), "Job 1"), pytest.param(EHT, "Hold point, passed", marks=HEAVY)],
    ids=["rail", "live"],
)
def test_a_pipe_whose_reader_goes_stops_the_job_in_order(tmp_path, steps, after):
    """As `benchrig rehearse | head -1`, also at a live hold point: exit code 3, no traceback, an end in the record."""
    with subprocess.Popen(short(tmp_path, steps), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as job:
        assert job.stdout is not None
        assert job.stderr is not None
        for line in job.stdout:
            if after in line:
                break
        job.stdout.close()
        said = job.stderr.read()
        assert job.wait(60) == 3, said
    assert "Traceback" not in said
    assert last_job(tmp_path).exit_code == 3


def test_a_full_disk_under_the_output_stops_the_job_in_words(tmp_path):
    """A log on a full disk: stopped, in one line, and no job that looks as if it were running."""
    with open("/dev/full", "w") as full:
        done = subprocess.run(short(tmp_path), stdout=full, stderr=subprocess.PIPE, text=True, check=False, timeout=60)
    assert done.returncode == 3
    assert "No space left on device" in done.stderr
    assert done.stderr.count("\n") == 1
    assert last_job(tmp_path).exit_code == 3


def test_a_question_is_never_written_into_the_lines(tmp_path):
    """`benchrig rehearse --hands --json > FILE` at a terminal: each line of the file is JSON, no prompt among them."""
    ours, theirs = pty.openpty()
    with open(theirs, "rb+", buffering=0) as terminal, open(tmp_path / "lines", "w") as lines:
        job = subprocess.Popen([*short(tmp_path), "--hands", "--json"], stdin=terminal, stdout=lines, stderr=terminal)
        seen = b""
        while b"number, or stop" not in seen:
            seen += os.read(ours, 4096)
        os.write(ours, b"1\n")
        assert job.wait(60) == 0
    os.close(ours)
    kinds = [json.loads(line)["kind"] for line in (tmp_path / "lines").read_text().splitlines()]
    assert kinds[-1] == "job ended"
