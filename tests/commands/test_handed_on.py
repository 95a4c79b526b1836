"""What is handed to other programs keeps every letter, whatever the terminal's alphabet."""

import os
import subprocess
import sys

import pytest

from benchrig.clock import SimClock
from benchrig.records import JobFacts, SqliteStore, StepFacts, StepResult


@pytest.mark.parametrize("words", [["export", "1"], ["export", "1", "--format", "jsonl"], ["report", "1", "-o", "-"]])
def test_no_letter_is_lost_on_a_terminal_of_another_alphabet(words, tmp_path):
    """UTF-8, as the page says of itself; a name with an omega in an ISO 8859-1 environment."""
    store, clock = SqliteStore(tmp_path / "record.sqlite"), SimClock()
    facts = JobFacts(
        procedure="p", title="Ω line", procedure_digest="d", procedure_file="p.toml", unit="Skerry 14 Ω",
        serial="SK14-0231", operator="Ida", bench="b", simulated=True, version="0", rule="guarded",
    )  # fmt: skip
    store.begin_job(facts, clock.now(), clock.stamp())
    step = StepFacts(
        step="r", kind="confirm", title="Ω resistor", number=1, round=1, purpose="do", point="", trimmer=""
    )
    store.end_step(store.begin_step(step, clock.now(), clock.stamp()), StepResult("done"), clock.now(), clock.stamp())
    store.end_job("all in tolerance", 0, clock.now(), clock.stamp())
    store.close()
    done = subprocess.run(
        [sys.executable, "-m", "benchrig", *words, "--store", str(tmp_path / "record.sqlite")],
        capture_output=True, check=True, env={**os.environ, "PYTHONIOENCODING": "latin-1", "PYTHONUTF8": "0"},
    )  # fmt: skip
    text = done.stdout.decode("utf-8")
    assert "Ω" in text or "\\u03a9" in text
