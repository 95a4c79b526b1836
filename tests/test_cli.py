"""The command line itself: quick help, plain errors, the right exit codes."""

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
    assert "Usage" in capsys.readouterr().err
