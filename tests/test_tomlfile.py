"""A file of ours is read whole or refused with every mistake, its line and its cure."""

from __future__ import annotations

import enum
import tomllib
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import Field, model_validator

from benchrig.errors import FileError, Mistake
from benchrig.tomlfile import AnyQuantity, FileModel, Fraction, InUnit, Lines, OneOf, Volts, read_toml, wrong
from benchrig.tomllines import KeyPath, key_lines
from benchrig.units import Quantity


class Function(enum.StrEnum):
    DC = "dc voltage"
    AC = "ac voltage"


class Confirm(FileModel):
    kind: Literal["confirm"]
    id: str


class Trim(FileModel):
    kind: Literal["trim"]
    id: str
    target: AnyQuantity
    trim: str = ""
    window: list[AnyQuantity] = Field(min_length=2, max_length=2, examples=['["9.25 kV", "9.55 kV"]'])


class Meter(FileModel):
    driver: str = Field(examples=['"meter-scpi"'])
    maximum: Annotated[float, InUnit("V"), Field(gt=0)] = 1000.0
    function: Annotated[Function, OneOf(Function)] = Function.DC
    reading: Fraction = 0.0
    channel: int = Field(default=1, ge=1)
    due: date | None = None
    live: bool = False


class Unit(FileModel):
    title: str = Field(min_length=1)
    mains: Literal["50 Hz", "60 Hz"] = "50 Hz"
    limit: Volts = 60.0
    instrument: dict[str, Meter] = Field(default_factory=dict)
    step: list[Annotated[Confirm | Trim, Field(discriminator="kind")]] = Field(default_factory=list)

    @model_validator(mode="after")
    def _named(self) -> Unit:
        if self.title == "nameless":
            raise wrong("A title that says nothing.", "Give it a name.")
        return self


def read(folder: Path, text: str | bytes) -> Unit:
    path = folder / "unit.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_toml(path, Unit)[0]


def mistakes(folder: Path, text: str | bytes) -> tuple[Mistake, ...]:
    with pytest.raises(FileError) as caught:
        read(folder, text)
    assert caught.value.exit_code == 2
    return caught.value.mistakes


def only(folder: Path, text: str | bytes) -> Mistake:
    found = mistakes(folder, text)
    assert len(found) == 1, found
    return found[0]


GOOD = """\
title = "Skerry"
limit = "0.06 kV"

[instrument.meter]
driver = "meter-scpi"
reading = "0.5 %"
due = 2027-01-31

[[step]]
kind = "trim"
id = "eht"
target = "9.40 kV"
window = [
  "9.25 kV",
  "9.55 kV",
]
"""


def test_a_good_file_gives_the_model_in_base_units(tmp_path: Path) -> None:
    unit = read(tmp_path, GOOD)
    step = unit.step[0]
    assert isinstance(step, Trim)
    assert step.target == Quantity(9400.0, "V")
    assert step.window[1] == Quantity(9550.0, "V")
    assert unit.limit == 60.0
    assert unit.instrument["meter"].reading == 0.005
    assert unit.instrument["meter"].due == date(2027, 1, 31)


def test_a_byte_order_mark_is_no_trouble(tmp_path: Path) -> None:
    assert read(tmp_path, b"\xef\xbb\xbf" + GOOD.encode()).title == "Skerry"


def test_every_mistake_is_told_at_once_in_the_order_of_the_file(tmp_path: Path) -> None:
    text = GOOD.replace("9.55 kV", "9,55 kV").replace('driver = "meter-scpi"', "drivr = 3").replace('"Skerry"', '""')
    found = mistakes(tmp_path, text)
    assert [(m.line, m.path) for m in found] == [
        (1, "title"),
        (4, "instrument.meter.driver"),
        (5, "instrument.meter.drivr"),
        (15, "step[1].window[2]"),
    ]
    assert "Did you mean 'driver'?" in found[2].cure
    assert found[1].cure == 'Add driver = "meter-scpi"'
    assert "decimal point" in found[3].problem


CASES: list[tuple[str, str, int, str, str, str]] = [
    (
        "unknown kind",
        '[[step]]\nkind = "tirm"\nid = "a"',
        3,
        "step[1].kind",
        "'tirm' is not known",
        "Did you mean 'trim'?",
    ),
    ("kind left out", '[[step]]\nid = "a"', 2, "step[1].kind", "'kind' is missing", "confirm, trim"),
    (
        "missing window",
        '[[step]]\nkind = "trim"\nid = "a"\ntarget = "1 V"',
        2,
        "step[1].window",
        "'window' is missing",
        "9.25 kV",
    ),
    ("bare number", "limit = 60", 2, "limit", "60 has no unit", '"9.40 kV"'),
    ("wrong unit", 'limit = "60 Hz"', 2, "limit", "is in Hz, but V is needed", "in V"),
    ("a truth for a quantity", "limit = true", 2, "limit", "A quantity is needed", "with its unit"),
    ("choice", 'mains = "55 Hz"', 2, "mains", "'55 Hz' is not known", "50 Hz"),
    (
        "enum",
        '[instrument.m]\ndriver = "x"\nfunction = "dc volts"',
        4,
        "instrument.m.function",
        "not known",
        "dc voltage",
    ),
    (
        "enum number",
        '[instrument.m]\ndriver = "x"\nfunction = 3',
        4,
        "instrument.m.function",
        "3 is not a word",
        "dc voltage",
    ),
    ("bound", '[instrument.m]\ndriver = "x"\nmaximum = "0 V"', 4, "instrument.m.maximum", "not more than 0", "Correct"),
    ("least", '[instrument.m]\ndriver = "x"\nchannel = 0', 4, "instrument.m.channel", "0 is not at least 1", "Correct"),
    (
        "whole",
        '[instrument.m]\ndriver = "x"\nchannel = 1.5',
        4,
        "instrument.m.channel",
        "1.5 is not a whole number",
        "12",
    ),
    (
        "truth",
        '[instrument.m]\ndriver = "x"\nlive = "yes"',
        4,
        "instrument.m.live",
        "'yes' is not true or false",
        "true",
    ),
    ("text", "[instrument.m]\ndriver = 5", 3, "instrument.m.driver", "5 is not text", "quotes"),
    ("date", '[instrument.m]\ndriver = "x"\ndue = "soon"', 4, "instrument.m.due", "'soon' is not a date", "2026-05-31"),
    ("table", "instrument = 5", 2, "instrument", "5 is not a table", "heading"),
    ("list", "step = 5", 2, "step", "5 is not a list", "["),
    (
        "short list",
        '[[step]]\nkind = "trim"\nid = "a"\ntarget = "1 V"\nwindow = ["1 V"]',
        6,
        "step[1].window",
        "1 entry;",
        "Add",
    ),
    ("inline", 'instrument = {m = {driver = "x", chanel = 3}}', 2, "instrument.m.chanel", "not a key", "'channel'"),
    (
        "dotted",
        'instrument.m.driver = "x"\ninstrument.m.chanel = 3',
        3,
        "instrument.m.chanel",
        "not a key",
        "'channel'",
    ),
]


@pytest.mark.parametrize("case", CASES, ids=[case[0] for case in CASES])
def test_a_mistake_has_its_line_its_path_its_words_and_its_cure(
    tmp_path: Path, case: tuple[str, str, int, str, str, str]
) -> None:
    _, text, line, path, problem, cure = case
    found = only(tmp_path, f'title = "x"\n{text}\n')
    assert (found.line, found.path) == (line, path)
    assert problem in found.problem
    assert cure in found.cure
    assert "Input should" not in str(found)


def test_a_key_spelt_like_its_tables_kind_keeps_its_place(tmp_path: Path) -> None:
    text = 'title = "x"\n[[step]]\nkind = "trim"\nid = 3\ntrim = 4\ntarget = "1 V"\nwindow = ["0 V", "2 V"]\n'
    assert [(m.line, m.path) for m in mistakes(tmp_path, text)] == [(4, "step[1].id"), (5, "step[1].trim")]


def test_a_validator_of_ours_speaks_for_itself(tmp_path: Path) -> None:
    found = only(tmp_path, 'title = "nameless"')
    assert (found.problem, found.cure) == ("A title that says nothing.", "Give it a name.")


SYNTAX = [
    ('title = "x"\nlimit = 9.40 kV\n', 2),
    ('title = "x"\ntitle = "y"\n', 2),
    ('title = "x"\n[instrument\n', 2),
    ('title = "x"\nstep = [1, 2\n', 3),
    ("title: x\n", 1),
]


@pytest.mark.parametrize(("text", "line"), SYNTAX)
def test_a_syntax_error_has_its_line(tmp_path: Path, text: str, line: int) -> None:
    found = only(tmp_path, text)
    assert found.line == line
    assert found.problem.startswith("Not TOML at")
    assert found.cure


@pytest.mark.parametrize("text", ["", "  \n\n", b"\xef\xbb\xbf"])
def test_an_empty_file_is_said_to_be_empty(tmp_path: Path, text: str | bytes) -> None:
    assert only(tmp_path, text).problem == "The file is empty."


def test_text_that_is_not_utf8_has_its_line(tmp_path: Path) -> None:
    found = only(tmp_path, b'title = "x"\nlimit = "10 \xb5V"\n')
    assert (found.line, found.problem) == (2, "The file is not UTF-8 text.")


def test_what_cannot_be_opened_is_refused_in_words(tmp_path: Path) -> None:
    for path, words in ((tmp_path / "none.toml", "no such file"), (tmp_path, "folder"), (Path("/dev/zero"), "larger")):
        with pytest.raises(FileError, match=words):
            read_toml(path, Unit)


def test_a_later_check_gets_the_line_of_the_nearest_table(tmp_path: Path) -> None:
    path = tmp_path / "unit.toml"
    path.write_text(GOOD)
    _, lines = read_toml(path, Unit)
    assert lines.line("step", 0, "window", 1) == 15
    assert lines.line("step", 0, "absent") == 9
    assert lines.line("nowhere") == 1
    assert str(lines.mistake(("step", 0, "id"), "Twice.")) == f"{path}:11: step[1].id: Twice."
    assert isinstance(lines, Lines)


def _paths(data: Any, path: KeyPath = ()) -> set[KeyPath]:
    found = {path} if path else set()
    items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for key, value in items:
        found |= _paths(value, (*path, key))
    return found


SAMPLE = '''
a = 1
"quoted key" . b.c = """
[not.a.table]
x = 1"""   # comment with ] and }
'd' = {e = [1, {f = "}"}], "g" = 'h # i'}

[t.u]
v = [ # comment
  "]",
  [1, 2],

  """a""b\\"""",
]
[[t.w]]
x = 1979-05-27T07:32:00Z
[[t.w]]
[t.w.y]
z = true
[[t.w.q]]
r = \'\'\'
\'\'two\'\'\'\'
[[t.w.q]]
"\\u00e9" = 1
'''


def test_every_key_of_a_crowded_text_has_its_line() -> None:
    found = key_lines(SAMPLE)
    assert set(found) == _paths(tomllib.loads(SAMPLE))
    expected = {
        ("a",): 2,
        ("quoted key", "b", "c"): 3,
        ("d", "e", 1, "f"): 6,
        ("t", "u"): 8,
        ("t", "u", "v", 2): 13,
        ("t", "w", 0): 15,
        ("t", "w", 1, "y", "z"): 19,
        ("t", "w", 1, "q", 0, "r"): 21,
        ("t", "w", 1, "q", 1): 23,
        ("t", "w", 1, "q", 1, "é"): 24,
    }
    assert {path: found[path] for path in expected} == expected


KEYS = st.sampled_from(["a", "b-1", "c_2", "7"])
SCALARS = st.sampled_from(["1", "-2.5e3", "true", '"x]y"', "'}#'", '"""\n#"""', "'''[a]\n'''", "2026-05-31", '"\\""'])
VALUES = st.recursive(
    SCALARS,
    lambda inner: (
        st.lists(inner, max_size=3).map(lambda items: "[\n" + " ,\n # ,]\n".join(items) + "\n]")
        | st.dictionaries(KEYS, inner, max_size=3).map(
            lambda items: "{" + ", ".join(f"{key} = {value}" for key, value in items.items()) + "}"
        )
    ),
    max_leaves=8,
)


@given(st.lists(st.dictionaries(KEYS, VALUES, max_size=3), max_size=4), st.sampled_from(["\n", "\r\n"]))
def test_any_text_that_toml_accepts_has_a_line_for_each_of_its_paths(
    tables: list[dict[str, str]], newline: str
) -> None:
    text = newline.join(
        line for table in tables for line in ("[[t . 'u']] # x", *(f"{key} = {value}" for key, value in table.items()))
    )
    data = tomllib.loads(text)
    found = key_lines(text)
    assert set(found) == _paths(data)
    assert all(1 <= line <= text.count("\n") + 1 for line in found.values())


def test_the_command_line_does_not_pay_for_pydantic() -> None:
    import subprocess
    import sys

    code = "import benchrig.cli, sys; sys.exit('pydantic' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.parametrize(
    "text",
    [
        "a" + ".a" * 20_000 + " = 1\n",
        "[" + "a." * 20_000 + "a]\n",
        "x = {" + "a . " * 10_000 + "b = 1}\n",
        '"a"' + ".'b'" * 10_000 + " = 1\n",
        "title = 1\n" + "b" + ".b" * 40 + " = 1\n",
    ],
    ids=["key", "table", "inline", "quoted", "a little too long"],
)
def test_a_key_of_very_many_parts_is_refused_before_it_is_parsed(tmp_path, text, monkeypatch):
    """The parser's time grows with their square: half a minute for 40 kB."""
    monkeypatch.setattr(tomllib, "loads", lambda text: pytest.fail("parsed"))
    file = tmp_path / "bomb.toml"
    file.write_text(text)
    with pytest.raises(FileError, match="more than 32 parts"):
        read_toml(file, FileModel)


@pytest.mark.parametrize("text", ["a = " + "[" * 300 + "]" * 300, "a = " + "{a = " * 250 + "1" + "}" * 250])
def test_what_is_nested_too_deep_is_told(tmp_path, text):
    file = tmp_path / "deep.toml"
    file.write_text(text)
    with pytest.raises(FileError):
        read_toml(file, FileModel)


def test_sentences_and_long_words_are_no_keys(tmp_path):
    file = tmp_path / "fine.toml"
    file.write_text('a = "' + "Look. " * 20 + '"\nb = "' + "x" * 100_000 + '"\nc = "192.168.1.20 and 1.2.3.4.5.6"\n')
    with pytest.raises(FileError, match="not a key"):  # of the empty model: it was parsed
        read_toml(file, FileModel)
