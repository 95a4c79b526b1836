"""`benchrig soak` from the command line: what is refused before anything starts, and a simulated night."""

import json

import pytest
from click.testing import CliRunner

from benchrig.cli import run
from benchrig.commands.soak import soak_command
from benchrig.errors import FileError
from benchrig.records import History


def ask(*words):
    return CliRunner().invoke(soak_command, [*words], catch_exceptions=False, standalone_mode=False)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["skerry14/soak"], "Which bench"),
        (["skerry14/adjust", "--simulated"], "no soak step"),
        (["skerry14/soak", "--simulated", "--for", "soon"], "--for"),
        (["skerry14/soak", "--simulated", "--for", "-1 h"], "no time"),
        (["skerry14/soak", "--simulated", "--fault", "intermittent fuse"], "--fault"),
        (["skerry14/soak", "--simulated", "--fault", "gremlins@1 h"], "gremlins"),
        (["skerry14/soak", "--bench", "skerry14/bench", "--try-alarms"], "nobody to be told"),
    ],
)
def test_what_cannot_be_is_refused_with_what_to_do(tmp_path, words, said, capsys):
    """Exit code 2 and a plain line, no traceback."""
    store = [] if "--try-alarms" in words or len(words) == 1 else ["--store", str(tmp_path / "r.sqlite")]
    with pytest.raises(FileError, match=said):
        ask(*words, *store)
    assert run(["soak", *words, *store]) == 2
    assert "Traceback" not in capsys.readouterr().err


def test_a_simulated_night_with_a_fault_ends_in_its_hint(tmp_path):
    """The same code as at the bench, on a simulated clock; JSON lines; the record holds it."""
    store = tmp_path / "r.sqlite"
    words = ["skerry14/soak", "--simulated", "--for", "8 min", "--fault", "intermittent fuse@5 min"]
    done = ask(*words, "--store", str(store), "--json")
    lines = [json.loads(line) for line in done.output.splitlines() if line.startswith("{")]
    ended = [line for line in lines if line["kind"] == "step ended" and line["step"] == "burn-in"]
    assert ended[0]["verdict"] == "fail"
    assert "fuse or its holder" in ended[0]["words"]
    assert any(line["kind"] == "soak" for line in lines)
    with History(store) as history:
        assert history.jobs()[0].simulated
        assert history.reading_count(1) > 800
