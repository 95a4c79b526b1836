"""The pytest plugin, used by a pytest in a process of its own, as somebody's suite would."""

import subprocess
import sys
from importlib.resources import files
from xml.etree import ElementTree

import pytest

SHIPPED = files("benchrig.procedures") / "skerry14"
SHORT = """
[procedure]
id = "short"
title = "Short"
unit = "Skerry 14"

[[step]]
id = "rail"
kind = "measure"
title = "+12 V rail"
instrument = "handheld"
function = "dc voltage"
point = "A1 TP1"
window = ["11.4 V", "12.6 V"]
hints = { absent = "regulator or pass transistor" }
"""


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "short.toml").write_text(SHORT)
    (tmp_path / "bench.toml").write_text((SHIPPED / "bench.toml").read_text())
    (tmp_path / "other.toml").write_text("x = 1\n")
    return tmp_path


def suite(folder, *options):
    """A run of pytest there; gives (exit code, output, names of tests and whether each failed)."""
    command = [sys.executable, "-m", "pytest", "--junitxml=j.xml", *options]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=120, check=False)
    cases = ElementTree.parse(folder / "j.xml").iter("testcase")
    return done.returncode, done.stdout, {it.get("name"): it.find("failure") is not None for it in cases}


def test_procedure_files_are_tests_and_other_files_are_not(folder):
    """One test for each seed, in JUnit's file too."""
    code, output, cases = suite(folder, "--benchrig-seeds=2")
    assert (code, cases) == (0, {"seed 0": False, "seed 1": False}), output


def test_a_job_that_fails_shows_its_step_and_its_hint(folder):
    code, output, cases = suite(folder, "--benchrig-fault=dead +12 V")
    assert (code, cases) == (1, {"seed 0": True})
    assert "rail: fail absent: regulator or pass transistor" in output
    assert "Traceback" not in output


def test_the_fixture_gives_a_bench_with_the_truth_behind_it(folder):
    (folder / "test_mine.py").write_text(
        "def test_rail(sim_bench):\n"
        "    outcome = sim_bench.run('short.toml')\n"
        "    assert outcome.exit_code == 0\n"
        "    assert abs(outcome.results['rail'].value - sim_bench.truth('A1 TP1')) < 0.1\n"
    )
    code, output, _ = suite(folder, "test_mine.py")
    assert code == 0, output
