"""What a beginner gets wrong in a first file, one mistake at a time: each is told with its line and a cure.

The three files are a null with two meters, a duty factor with kilovolts behind a hold point, and a night's soak.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from benchrig.bench import load_bench
from benchrig.errors import FileError, Mistake
from benchrig.procedure import Procedure, load_procedure
from benchrig.procedure.preflight import check

HERE = Path(__file__).parent
SHIPPED = HERE.parents[1] / "procedures" / "skerry14"
NULL, DUTY, NIGHT = ((HERE / "firsts" / f"{name}.toml").read_text() for name in ("null", "duty", "night"))
RAIL = 'window = ["11.4 V", "12.6 V"]'
AGREE = '["-50 mV", "50 mV"]'

Load = Callable[[str | bytes], Procedure]


@pytest.fixture
def load(tmp_path: Path) -> Load:
    def go(text: str | bytes) -> Procedure:
        file = tmp_path / "mine.toml"
        file.write_bytes(text.encode() if isinstance(text, str) else text)
        return load_procedure(file)

    return go


def changed(text: str, old: str, new: str) -> str:
    assert old in text
    return text.replace(old, new, 1)


def mistakes(load: Load, text: str | bytes) -> tuple[Mistake, ...]:
    with pytest.raises(FileError) as caught:
        load(text)
    return caught.value.mistakes


@pytest.mark.parametrize("text", [NULL, DUTY, NIGHT])
def test_the_files_without_a_mistake_can_be_done_on_the_demo_bench(load: Load, text: str) -> None:
    report = check(load(text), load_bench(SHIPPED / "bench.toml"))
    assert report.worst in ("ok", "note"), report.rows


@pytest.mark.parametrize(
    "text",
    [
        NULL.replace("\n", "\r\n"),
        "\ufeff" + NULL,
        changed(NULL, 'kind = "confirm"', '\tkind\t=\t"confirm"'),
        NULL.rstrip("\n"),
    ],
    ids=["Windows line ends", "byte order mark", "tabs", "no last line end"],
)
def test_how_an_editor_writes_a_file_is_no_mistake(load: Load, text: str) -> None:
    assert load(text).steps == load(NULL).steps


# name, text, line (of the file as mistaken), what is said of it, the cure
MISTAKES: list[tuple[str, str | bytes, int, str, str]] = [
    ("wrong unit", changed(NULL, RAIL, 'window = ["11.4 A", "12.6 V"]'), 20, "is in A", "Give it in V"),
    ("swapped limits", changed(NULL, RAIL, 'window = ["12.6 V", "11.4 V"]'), 20, "above the high edge", "Swap them"),
    ("no unit", changed(NULL, RAIL, 'window = [11.4, "12.6 V"]'), 20, "no unit", "in quotes with its unit"),
    ("no quotes", changed(NULL, RAIL, "window = [11.4 V, 12.6 V]"), 20, "Not TOML", "stands in quotes"),
    ("decimal comma", changed(NULL, RAIL, 'window = ["11,4 V", "12.6 V"]'), 20, "decimal point", '"3.3 V"'),
    ("one edge", changed(NULL, AGREE, '["50 mV"]'), 40, "1 entry", "Add"),
    ("edges in one text", changed(NULL, AGREE, '"-50 mV .. 50 mV"'), 40, "not a list", '["11.4 V", "12.6 V"]'),
    ("a printed minus", changed(NULL, AGREE, '["\u221250 mV", "50 mV"]'), 40, "start with a number", "hyphen key"),
    ("a printed space", changed(NULL, AGREE, '["-50\u00a0mV", "50 mV"]'), 40, "no space bar", "Type the space again"),
    ("printed quotes", changed(NULL, '"On the bench"', "“On the bench”"), 10, "Not TOML", "straight quotes"),
    ("open quote", changed(NULL, '"On the bench"', '"On the bench'), 10, "Not TOML", "the quote that it began with"),
    ("capital False", changed(NULL, "travel =", "mark = False\ntravel ="), 50, "Not TOML", "small letters"),
    ("a colon", changed(NULL, 'title = "On', 'title: "On'), 10, "'='", "key = value"),
    ("a key twice", changed(NULL, RAIL, RAIL + "\n" + RAIL), 21, "overwrite", "keep one"),
    ("a table twice", NULL + "\n[procedure]\n", 67, "twice", "keep one"),
    ("single brackets first", changed(NULL, "[[step]]", "[step]"), 13, "overwrite", "double"),
    ("single brackets only", NULL[: NULL.index('[[step]]\nid = "rail"')].replace("[[", "[").replace("]]", "]"),
     7, "single table", "[[name]]"),
    ("no table at all", "# to do\n", 1, "'procedure' is missing", "[procedure]"),
    ("no step", NULL[: NULL.index("[[step]]")], 1, "'step' is missing", "[[step]]"),
    ("a word for a list", changed(NULL, 'needs = ["begin"]', 'needs = "begin"'), 21, "not a list", '["begin"]'),
    ("a later step", changed(NULL, 'needs = ["begin"]', 'needs = ["zero"]'), 21, "not an earlier step", "order"),
    ("an undefined step", changed(NULL, '["zero-look"]', '["zero-lok"]'), 56, "not another step", "Correct the id"),
    ("an id twice", changed(NULL, '"rail-again"', '"rail"'), 24, "line 13 already", "Choose another"),
    ("an id in two words", changed(NULL, '"rail-again"', '"rail_again"'), 24, "not spelt", "digits and '-'."),
    ("a kind misspelt", changed(NULL, '"trim"', '"trimm"'), 44, "not known", "'trim'"),
    ("no kind", changed(NULL, 'kind = "confirm"\n', ""), 7, "'kind' is missing", "confirm"),
    ("a key of other kinds", changed(NULL, 'conditions = ["powered"]', RAIL), 11, "not a key of", "measure"),
    ("a condition misspelt", changed(NULL, '["powered"]', '["power on"]'), 11, "not known", "'powered'"),
    ("no target", changed(NULL, 'target = "0 V"\n', ""), 42, "'target' is missing", 'target = "'),
    ("a target outside", changed(NULL, '"0 V"', '"5 mV"'), 52, "outside the window", "Correct"),
    ("a span of nothing", changed(NULL, '"120 mV"', '"0 V"'), 51, "span", "above zero"),
    ("a span with a sign", changed(NULL, '"120 mV"', '"-120 mV"'), 51, "span", "above zero"),
    ("a window of nothing", changed(NULL, '["-2 mV", "2 mV"]', '["0 V", "0 V"]'), 52, "no width", "bears"),
    ("volts against amperes", changed(NULL, AGREE, '["-50 mA", "50 mA"]'), 40, "in A, but", "Give it in V"),
    ("made of no value", changed(NULL, '["rail", "rail-again"]', '["rail", "begin"]'), 39, "single value", "another"),
    ("an answer never given", changed(NULL, 'needs = ["rail"]', 'only_if = { begin = "yes" }'), 55, "never", "done"),
    ("an answer of a reading", changed(NULL, 'needs = ["rail"]', 'only_if = { rail = "in" }'), 55, "never", "asked"),
    ("no hold point", changed(DUTY, 'title = "EHT"\nhazard = "eht"', 'title = "EHT"'), 62, "can hurt", "[hazard.NAME]"),
    ("an unknown hazard", changed(DUTY, 'hazard = "eht"', 'hazard = "EHT"'), 66, "no [hazard.EHT]", "eht"),
    ("another test point", changed(DUTY, '"A4 TP40"', '"A4 TP41"'), 8, "would name", "A4 TP40"),
    ("a thousand times too little", changed(DUTY, '"9.40 kV"', '"9.40 V"'), 9, "9.400 V would be said", "there"),
    ("kilovolts nowhere", DUTY.replace('\npoint = "A4 TP40"', ""), 62, "where the lead of meter is", "point ="),
    ("no cautions", changed(DUTY, '["It can kill."]', "[]"), 10, "at least 1", "Add"),
    ("a ceiling inside", changed(DUTY, '"10.40 kV"', '"9.50 kV"'), 76, "not above", "Raise it"),
    ("capital kilo", changed(DUTY, 'ceiling = "10.40 kV"', 'ceiling = "10.40 KV"'), 76, "'KV' is not known", "kV"),
    ("per cent as volts", changed(DUTY, '["22.5 %", "24.2 %"]', '["22 V", "24 %"]'), 59, "plain number", "%"),
    ("no channel", changed(DUTY, 'channel = 2\nmeasurement = "du', 'measurement = "du'), 54, "No scope channel", "1"),
    ("what no scope needs", changed(DUTY, 'swing = "12 V"', 'expected = "9 V"'), 31, "has no `expected`", "Take"),
    ("no duration", changed(NIGHT, 'lasts = "8 h"\n', ""), 20, "'lasts' is missing", 'lasts = "'),
    ("no channels", NIGHT[: NIGHT.index("[[step.channels]]")], 20, "'channels' is missing", "[[step.channels]]"),
    ("channels of no step", changed(NIGHT, "[[step.channels]]", "[[channels]]"), 30, "not a key", "Known here"),
    ("a time for no drift", changed(NIGHT, 'drift = "60 V"\n', ""), 39, "how much it may drift", "Add drift"),
    ("a lead at two points", changed(NIGHT, 'point = "A1 TP2"', 'point = "A1 TP3"')
     + NIGHT[NIGHT.index("[[step.catches]]"):].replace("dips", "more"), 20, "two points", "one instrument"),
    ("alarms in the wrong file", NIGHT + '\n[alarms]\nrepeat = "5 min"\n', 58, "not a key", "Known here"),
    ("UTF-16", NULL.encode("utf-16"), 1, "not UTF-8", "Save it"),
    ("a page of the web", "<html></html>", 1, "Not TOML", "key = value"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "line", "words", "cure"), [m[1:] for m in MISTAKES], ids=[m[0] for m in MISTAKES])
def test_a_mistake_names_the_file_the_line_and_a_cure_that_fits(
    load: Load, text: str | bytes, line: int, words: str, cure: str
) -> None:
    first = mistakes(load, text)[0]
    assert first.file.endswith("mine.toml")
    assert first.line == line
    assert words in first.problem
    assert cure in first.cure


def test_a_file_of_another_kind_is_told_in_one_sentence(load: Load) -> None:
    (told,) = mistakes(load, (SHIPPED / "bench.toml").read_bytes())
    assert (told.line, told.problem) == (1, "This is a bench file, and a procedure is wanted here.")
    with pytest.raises(FileError, match="This is a procedure, and a bench file is wanted here"):
        load_bench(SHIPPED / "adjust.toml")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('instrument = "handheld"', 'instrument = "handhold"', "Did you mean 'handheld'?"),
        ('instrument = "handheld"', 'instrument = "scope"', "needs a meter"),
        ('instrument = "handheld"', 'instrument = "supply"', "needs a meter"),
        ('function = "dc voltage"', 'channel = 1\nmeasurement = "mean"', "needs a scope"),
    ],
)
def test_an_instrument_that_cannot_do_it_is_refused_on_paper(load: Load, old: str, new: str, words: str) -> None:
    """And not met by a program that stops in the middle of the job."""
    report = check(load(changed(NULL, old, new)), load_bench(SHIPPED / "bench.toml"))
    (refused,) = [row for row in report.rows if row.level == "refuse"]
    assert (refused.step, refused.line) == ("rail", 13)
    assert words in refused.words
