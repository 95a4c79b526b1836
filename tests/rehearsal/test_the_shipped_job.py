"""The shipped job, through the command, on a real process of doubles: sockets and a pseudo-terminal."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

SEEDS = range(10)


@pytest.mark.skipif(not os.environ.get("BENCHRIG_HEAVY"), reason="ten real minutes: BENCHRIG_HEAVY=1")
@pytest.mark.parametrize("seed", SEEDS)
def test_every_setting_is_inside_by_the_units_own_truth(seed: int, tmp_path: Path) -> None:
    """Exit code 0, an outcome, and a truth inside the window for each step with a window that ended."""
    program, store = Path(sys.executable).with_name("benchrig"), str(tmp_path / "record.db")
    command = [program, "rehearse", "--json", "--seed", str(seed), "--store", store]
    ran = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    lines = [json.loads(line) for line in ran.stdout.splitlines()]
    truths = {line["step"]: line for line in lines if line["kind"] == "truth"}
    assert ran.returncode == 0, ran.stderr
    assert truths
    assert [step for step, line in truths.items() if not line["inside"]] == []
