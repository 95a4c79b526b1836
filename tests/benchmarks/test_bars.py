"""The bars' script says met only where a figure was made and holds, and names what misses."""

import json
import shlex
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
from bars import in_order, markdown, save, saved
from bars_model import NONE, Bar, Source, at_least, at_most, between, passes
from bars_run import Row, Unmeasured, figures_of, judged, measured, number, read_junit
from bars_sources import SOURCES
from bars_table import BARS
from figures import last_object

ROOT = Path(__file__).parents[2]
SHARE = Bar("share", "any", "share, %", between(93, 97, " %"), " %", (("records", 2000),))
LOST = Bar("lost", "any", "lost", NONE)
JUNIT = """<testsuites><testsuite>
<testcase name="test_a"><properties><property name="random bytes" value="1000"/></properties></testcase>
<testcase name="test_b"><properties><property name="random bytes" value="900"/></properties></testcase>
<testcase name="test_c"><failure message="no"/></testcase>
<testcase name="test_d"><error message="no"/></testcase>
<testcase name="test_e"><skipped message="not here"/></testcase>
</testsuite></testsuites>"""


@pytest.mark.parametrize(
    ("found", "verdict", "words"),
    [
        ({"share, %": 95.0, "records": 2000}, "met", "95 %; records 2,000"),
        ({"share, %": 95.04, "records": 400}, "met so far", "95 %; records 400 of 2,000 asked"),
        ({"share, %": 92.9, "records": 400}, "NOT MET", "92.9 %; records 400 of 2,000 asked"),
        ({"share, %": {"high": 95.0, "low": 97.1}, "records": 2000}, "NOT MET", "high 95 %, low 97.1 %; records 2,000"),
        ({"share, %": 95.0}, "met so far", "95 %"),
        ({"records": 2000}, "not measured", "the run gave no figure 'share, %'"),
        ({"share, %": {}, "records": 2000}, "not measured", "the run gave no figure 'share, %'"),
        ({"share, %": float("nan"), "records": 2000}, "not measured", "the run gave something that is no number"),
    ],
)
def test_a_bar_is_met_by_a_number_that_holds_on_as_many_as_it_asks_for(found, verdict, words):
    """A count that was not given is not enough; a figure that was not given, or is no number, is no figure."""
    assert judged(SHARE, found) == (verdict, words)


def test_of_many_cells_those_that_miss_are_named():
    """Least and most, then each that misses."""
    bar = Bar("ratio", "any", "ratio", at_most(0.6))
    cells = {"slow": 0.1, "middle": 0.3, "quick": 0.81, "quicker": 0.9}
    assert judged(bar, {"ratio": cells}) == ("NOT MET", "0.1 to 0.9 in 4 cells; 2 missed: quick 0.81; quicker 0.9")
    assert judged(bar, {"ratio": dict.fromkeys("abcd", 0.5)}) == ("met", "0.5 to 0.5 in 4 cells")


def test_tests_that_fail_are_named_and_recorded_numbers_are_the_least():
    """Errors fail too; what was skipped was not done."""
    found = read_junit(JUNIT)
    assert found == {
        "tests": 4, "passed": 2, "failed": {"test_c": 1.0, "test_d": 1.0}, "skipped": 1, "random bytes": 900.0,
    }  # fmt: skip
    verdict, words = judged(passes("noise", "any", random_bytes=1000), found)
    assert verdict == "NOT MET"
    assert words == "test_c 1 failed, test_d 1 failed; passed 2; skipped 1; random bytes 900 of 1,000 asked"


def test_tests_that_were_all_skipped_measured_nothing():
    """What they drive is not there."""
    skipped = read_junit('<testsuite><testcase name="t"><skipped/></testcase></testsuite>')
    assert judged(passes("strangers", "any"), skipped)[0] == "not measured"
    assert judged(passes("strangers", "any"), read_junit("<testsuite/>"))[0] == "not measured"


@pytest.mark.parametrize(
    ("value", "words"), [(0.0, "0"), (3.0, "3"), (0.8123, "0.812"), (1234.5, "1,234"), (-0.5, "-0.5"), (95.04, "95")]
)
def test_numbers_have_three_figures(value, words):
    """Whole ones and thousands have them all."""
    assert number(value) == words


def test_a_benchmark_that_fails_leaves_a_row_that_says_why(tmp_path):
    """Its last words, for each of its bars; the figure of another run is never taken."""
    script = tmp_path / "broken.py"
    script.write_text("import sys\nprint('nearly there')\nsys.exit('no server')\n")
    command = f"python {shlex.quote(str(script))}"
    rows = list(measured([LOST, SHARE], Source(command, command), command))
    assert [(row.verdict, row.figure) for row in rows] == [("not measured", "exit code 1: no server")] * 2


def test_a_benchmark_is_asked_for_its_figures_and_believed_whatever_its_exit_code(tmp_path):
    """The last object it prints counts; settings before the command are in its environment."""
    script = tmp_path / "figures.py"
    script.write_text(
        "import os, sys\nprint('a library speaks')\nassert sys.argv[1:] == ['--runs', '2', '--json']\n"
        "print('{\"lost\": ' + os.environ['LOST'] + '}')\nsys.exit(1)\n"
    )
    assert figures_of(f"LOST=2 python {shlex.quote(str(script))} --runs 2", 60.0) == {"lost": 2}


def test_one_that_does_not_end_is_given_up(tmp_path):
    """After its patience, with the time in words."""
    script = tmp_path / "endless.py"
    script.write_text("import threading\nthreading.Event().wait()\n")
    with pytest.raises(Unmeasured, match="not done after"):
        figures_of(f"python {shlex.quote(str(script))}", 0.2)


def test_a_script_is_judged_by_its_exit_code():
    """None is met by 0 alone."""
    assert figures_of("bash -c 'exit 3'", 60.0) == {"exit code": 3}


def test_what_this_size_leaves_out_is_not_measured():
    """And says what to do."""
    (row,) = measured([LOST], Source("", "python x", left_out="only with --full"), "")
    assert (row.verdict, row.figure, row.made_by) == ("not measured", "only with --full", "")


def test_output_without_figures_is_no_figure():
    """A line that begins like an object has to be one."""
    assert last_object('first\n{"a": 1}\nlast words') == {"a": 1}
    with pytest.raises(ValueError, match="no figures"):
        last_object("nothing")
    with pytest.raises(json.JSONDecodeError):
        last_object("{broken")


@pytest.mark.parametrize("name", SOURCES)
def test_every_command_names_files_that_are_there_and_is_used_by_a_bar(name):
    """Paths of benchmarks and of tests, in both sizes."""
    for command in (SOURCES[name].short, SOURCES[name].full):
        for word in shlex.split(command):
            assert not word.startswith(("tests/", "benchmarks/", ".ci/")) or (ROOT / word).exists(), word
    assert any(bar.source == name for bar in BARS)


def test_the_page_keeps_its_columns():
    """A stroke in a figure does not make a column."""
    page = markdown([Row("a|b", "1", at_least(1).words, "met", "python x", 0.4)], "1 bar")
    assert page.splitlines()[2] == "| a\\|b | 1 | at least 1 | met | `python x` | 0 |"


def test_a_run_that_was_broken_off_keeps_what_it_measured_and_no_more(tmp_path):
    """What could not be measured is tried again, and short counts do not stand for full ones."""
    file = tmp_path / "rows.json"
    good, bad = (
        Row(bar.what, "1", "none", verdict, "x", 1.0)
        for bar, verdict in zip(BARS[:2], ("met", "not measured"), strict=True)
    )
    assert saved(file, "full") == []
    save([good, bad], "full", "", file, None)
    assert saved(file, "full") == [good]
    assert saved(file, "short") == []
    assert sorted([bad, good], key=in_order) == [good, bad]


def test_no_two_bars_say_the_same():
    """A row is known by what it says."""
    assert len({bar.what for bar in BARS}) == len(BARS)
