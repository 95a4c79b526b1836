"""Bad files through the command line: exit code 2, the file and line, what to do, and nothing started."""

import subprocess
import sys
from pathlib import Path

import pytest

from benchrig.commands.shipped import locate


def run(tmp_path: Path, *words: str) -> subprocess.CompletedProcess[str]:
    command = [Path(sys.executable).with_name("benchrig"), *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=30, check=False)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('kind = "trim"', 'kind = "twiddle"'),
        ("window = [", "windo = ["),
        ('hazard = "eht"', ""),
        ('target = "9.40 kV"', 'target = "9.40 kA"'),
        ("[procedure]", "[procedure"),
    ],
    ids=["unknown kind", "missing window", "undeclared kilovolts", "unit that does not fit", "syntax"],
)
def test_a_bad_procedure_is_refused_with_its_line(tmp_path: Path, old: str, new: str) -> None:
    """Nothing is recorded, and the message names the file with a line number."""
    text = locate("skerry14/adjust").read_text(encoding="utf-8")
    assert old in text
    bad, store = tmp_path / "bad.toml", tmp_path / "record.db"
    bad.write_text(text.replace(old, new, 1), encoding="utf-8")
    ended = run(tmp_path, "rehearse", str(bad), "--store", str(store))
    assert ended.returncode == 2, ended.stderr
    assert f"{bad}:" in ended.stderr.replace("\n", "")
    assert not store.exists()


def test_an_empty_procedure_is_refused(tmp_path: Path) -> None:
    """An empty file names itself, and nothing is recorded."""
    bad, store = tmp_path / "empty.toml", tmp_path / "record.db"
    bad.write_text("", encoding="utf-8")
    ended = run(tmp_path, "rehearse", str(bad), "--store", str(store))
    assert ended.returncode == 2
    assert str(bad) in ended.stderr.replace("\n", "")
    assert not store.exists()
