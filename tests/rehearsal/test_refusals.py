"""Bad files through the command line: exit code 2, the file and line, what to do, and nothing started."""

import subprocess
import sys
from pathlib import Path

import pytest

from benchrig.commands.options import locate


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


def check(tmp_path: Path, procedure: str, bench: str) -> subprocess.CompletedProcess[str]:
    """`benchrig check` of two files with these texts."""
    (tmp_path / "p.toml").write_text(procedure, encoding="utf-8")
    (tmp_path / "b.toml").write_text(bench, encoding="utf-8")
    return run(tmp_path, "check", str(tmp_path / "p.toml"), "--bench", str(tmp_path / "b.toml"))


@pytest.mark.parametrize(
    ("file", "old", "new", "cure"),
    [
        ("p.toml", 'instrument = "meter"', 'instrument = "metre"', "Did you mean 'meter'"),
        ("p.toml", 'id = "rail-plus-5"', 'id = "rail-plus-12"', "Choose another"),
        ("b.toml", 'address = "sim://meter"', 'address = "GPIB0::22"', "address"),
        ("b.toml", 'driver = "meter-scpi"', 'driver = "meter-scpy"', "meter-scpi"),
        ("b.toml", 'maximum_input = "300 V"', 'maximum_input = "300 A"', "V"),
    ],
    ids=["unknown instrument", "duplicate id", "unknown address", "driver not installed", "unit in the bench"],
)
def test_a_bad_pair_of_files_is_refused_with_its_line_and_the_cure(
    tmp_path: Path, file: str, old: str, new: str, cure: str
) -> None:
    """Exit code 2, file:line, and what to do; nothing was opened."""
    texts = {
        "p.toml": locate("skerry14/adjust").read_text(encoding="utf-8"),
        "b.toml": locate("skerry14/bench").read_text(encoding="utf-8"),
    }
    assert old in texts[file]
    line = texts[file][: texts[file].index(old)].count("\n") + 1
    texts[file] = texts[file].replace(old, new, 1)
    ended = check(tmp_path, texts["p.toml"], texts["b.toml"])
    said = " ".join((ended.stdout + ended.stderr).split())
    assert ended.returncode == 2, said
    assert cure in said
    assert f"{file}:" in said
    near = range(line - 30, line + 3)  # a step is named by the line where it begins
    assert any(f"{file}:{number}:" in said.replace(": ", ":") for number in near), said


def test_a_job_on_a_bench_that_lacks_the_instrument_is_not_begun(tmp_path: Path) -> None:
    """`run` checks first: no record, no question, exit code 2."""
    procedure = locate("skerry14/adjust").read_text(encoding="utf-8").replace('"meter"', '"metre"')
    (tmp_path / "p.toml").write_text(procedure, encoding="utf-8")
    store = tmp_path / "r.sqlite"
    words = [
        "run",
        str(tmp_path / "p.toml"),
        "--bench",
        "skerry14/bench",
        "--serial",
        "SK14-0231",
        "--store",
        str(store),
    ]
    ended = run(tmp_path, *words)
    assert ended.returncode == 2
    assert "metre" in ended.stderr
    assert not store.exists()
