"""What `benchrig check` finds stands in the way of a job, or is told before it begins."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from benchrig import cli
from benchrig.bench import load_bench
from benchrig.commands.bench import refuse_unfit
from benchrig.commands.options import locate
from benchrig.errors import FileError
from benchrig.procedure import load_procedure


def bench_with(tmp_path: Path, old: str = "", new: str = "") -> Path:
    """The shipped bench file with calibration due in the far future, and one thing changed."""
    text = re.sub(r"calibration_due = \S+", "calibration_due = 9999-12-31", locate("skerry14/bench").read_text("utf-8"))
    assert old in text
    file = tmp_path / "bench.toml"
    file.write_text(text.replace(old, new, 1), encoding="utf-8")
    return file


def test_an_instrument_past_its_calibration_is_told_before_the_job(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """On stderr, as the check says it; the job goes on."""
    overdue = bench_with(tmp_path, "9999-12-31", "2020-01-31")
    refuse_unfit(load_procedure(locate("skerry14/adjust")), load_bench(overdue))
    told = capsys.readouterr()
    assert "scope was due for calibration on 2020-01-31" in " ".join(told.err.split())
    assert not told.out


def test_nothing_is_said_where_nothing_is_wrong(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A job on the shipped bench begins without a word."""
    refuse_unfit(load_procedure(locate("skerry14/adjust")), load_bench(bench_with(tmp_path)))
    assert capsys.readouterr() == ("", "")


def test_what_is_refused_is_shown_whole(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The table with the reason, and the error that says what to do."""
    weak = bench_with(tmp_path, 'maximum = "', 'maximum = "1 V" # ')
    with pytest.raises(FileError, match="Mend what is refused above"):
        refuse_unfit(load_procedure(locate("skerry14/adjust")), load_bench(weak))
    assert "REFUSED" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("name", "words", "not_words"),
    [
        ("skerry14", "skerry14/adjust, skerry14/bench", "amplifier"),
        ("skerry14/adjst", "Did you mean 'skerry14/adjust'?", "amplifier"),
        ("teapot", "amplifier/bench", "Did you mean"),
    ],
)
def test_a_name_that_is_not_shipped_is_told_what_is(name: str, words: str, not_words: str) -> None:
    """Of a folder what is in it, of a slip the nearest, otherwise all of it."""
    with pytest.raises(FileError) as caught:
        locate(name)
    assert words in str(caught.value)
    assert not_words not in str(caught.value)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["run", "skerry14/adjust", "--bench", "skerry14/bench"], "Which unit is it?"),
        (["run", "skerry14/adjust", "--bench", "skerry14/bench", "--serial", "9"], "'9' does not fit"),
        (["watch", "handheld"], "--bench my-bench.toml"),
        (["watch", "here::there"], "Known forms"),
        (["find", "--try", "here::there"], "Known forms"),
        (["watch", "scope", "--channel", "9", "--bench", "skerry14/bench"], "from 1 to 4"),
    ],
)
def test_a_wrong_name_number_or_address_is_a_mistake_of_the_command(
    words: list[str], said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2, in one line that says how to write it."""
    monkeypatch.setenv("BENCHRIG_RECORD", str(tmp_path / "record.sqlite"))
    assert cli.run(words) == 2
    err = capsys.readouterr().err.splitlines()[-1]
    assert err.startswith("benchrig: ")
    assert said in err
