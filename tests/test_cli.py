"""The command line itself: quick help, plain errors, the right exit codes."""

import os
import subprocess
import sys

import pytest

from benchrig import cli
from benchrig.errors import FileError, InstrumentError, Refused, Stopped

HEAVY = ("pyvisa", "numpy", "pydantic", "rich.live", "serial", "jinja2", "sqlite3")


@pytest.mark.parametrize("arguments", [["--help"], ["--version"]])
def test_help_imports_nothing_heavy(arguments):
    """Help must answer at once on a small machine."""
    program = (
        "import sys\n"
        "from benchrig import cli\n"
        f"assert cli.run({arguments!r}) == 0\n"
        f"print([m for m in {HEAVY!r} if m in sys.modules])\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


def test_help_lists_every_command(capsys):
    """With one line each, and the exit codes."""
    assert cli.run(["--help"]) == 0
    out = capsys.readouterr().out
    for name, entry in cli.COMMANDS.items():
        assert f"  {name}" in out
        assert entry.help in out
    assert "hold point not acknowledged" in out


@pytest.mark.parametrize("name", list(cli.COMMANDS))
def test_each_command_exists_and_has_help(name, capsys):
    """The table of commands names modules that are there."""
    assert cli.run([name, "--help"]) == 0
    assert "Usage: benchrig" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("error", "code"), [(FileError("f"), 2), (Stopped("s"), 3), (InstrumentError("i"), 4), (Refused("r"), 5)]
)
def test_errors_become_exit_codes_without_a_traceback(error, code, monkeypatch, capsys):
    """The person reads one sentence."""

    def fail(**options):
        raise error

    monkeypatch.setattr(cli.cli, "main", fail)
    assert cli.run([]) == code
    assert capsys.readouterr().err == f"benchrig: {error}\n"


@pytest.mark.parametrize("arguments", [["polish"], ["--loud"], ["run", "--no-such-option"]])
def test_a_wrong_command_line_is_exit_code_2(arguments, capsys):
    assert cli.run(arguments) == 2
    assert "--help" in capsys.readouterr().err


@pytest.mark.parametrize(("typed", "meant"), [("rum", "run"), ("chekc", "check"), ("repport", "report")])
def test_a_mistyped_command_is_told_the_one_that_was_meant(typed, meant, capsys):
    """In one line, with where the commands are explained."""
    assert cli.run([typed, "skerry14/adjust"]) == 2
    err = capsys.readouterr().err
    assert f"Did you mean {meant!r}?" in err
    assert "See: benchrig --help" in err
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["run", "x", "--sreial", "1"], "--serial"),
        (["report", "x"], "'x' is not a valid integer"),
        (["check", "skerry14/adjust"], "--bench"),
    ],
)
def test_a_wrong_option_is_one_line_that_names_the_command_and_its_help(arguments, words, capsys):
    """No block of usage text above what is wrong."""
    assert cli.run(arguments) == 2
    err = capsys.readouterr().err
    assert err.startswith(f"benchrig {arguments[0]}: ")
    assert words in err
    assert err.endswith(f"See: benchrig {arguments[0]} --help\n")
    assert err.count("\n") == 1


PROGRAM = [sys.executable, "-m", "benchrig"]


def test_a_reader_that_goes_away_is_no_good_end():
    """`benchrig --help | true`: quiet, and not the exit code of a job in which everything is in."""
    ours, theirs = os.pipe()
    os.close(ours)
    with os.fdopen(theirs, "wb") as closed:
        done = subprocess.run([*PROGRAM, "--help"], stdout=closed, stderr=subprocess.PIPE, text=True, check=False)
    assert (done.returncode, done.stderr) == (3, "")


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="a device that is always full is Linux's")
def test_output_that_cannot_be_written_is_named_without_a_traceback():
    """As on a full disk: exit code 4, and one line."""
    with open("/dev/full", "w") as full:
        done = subprocess.run([*PROGRAM, "--help"], stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 4
    assert "No space left on device" in done.stderr
    assert done.stderr.count("\n") == 1


def test_words_that_the_terminal_cannot_write_are_no_reason_to_end(tmp_path):
    """A name of another alphabet in a message, on a terminal of ISO 8859-1."""
    done = subprocess.run(
        [*PROGRAM, "check", "Ωmeter.toml", "--bench", "skerry14/bench"], capture_output=True, check=False,
        cwd=tmp_path, env={**os.environ, "PYTHONIOENCODING": "latin-1"},
    )  # fmt: skip
    assert done.returncode == 2
    assert b"?meter.toml" in done.stderr
    assert b"Traceback" not in done.stderr


@pytest.mark.parametrize("name", ["records", "find", "options"])
def test_a_command_that_only_reads_a_record_or_looks_around_pays_for_no_session(name):
    """No reader of files, no numerics, no runner, before one of them is needed."""
    heavy = ("pydantic", "numpy", "pyvisa", "serial", "rich.live", "benchrig.session.runner", "benchrig.procedure.step")
    program = (
        f"import importlib, sys\nimportlib.import_module('benchrig.commands.{name}')\n"
        f"print([m for m in {heavy!r} if m in sys.modules])\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"
