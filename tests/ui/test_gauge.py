"""The gauge: three rows that fit, and never a stale number dressed as a good one."""

from dataclasses import replace

import pytest
from rich.console import Console

from benchrig.session.notices import TrimMoved
from benchrig.trim.types import Cue, Goal, TrimView
from benchrig.ui.gauge import ASCII, FULL, ROWS, gauge, glyphs_for, vars_of

GOAL = Goal(target=9400.0, low=9250.0, high=9550.0, unit="V")


def moved(
    value: float | None = 9872.0,
    cue: Cue = Cue.DOWN,
    *,
    position: float | None = 0.8,
    stale: bool = False,
    held: float = 0.0,
) -> TrimMoved:
    distance = None if value is None else GOAL.target - value
    view = TrimView(value, distance, cue, held, position, (-1 / 3, 1 / 3), stale)
    return TrimMoved("eht", GOAL, view, "RV41")


@pytest.mark.parametrize("width", [20, 40, 80, 200])
@pytest.mark.parametrize("glyphs", [FULL, ASCII])
def test_three_rows_never_wider_than_the_screen(width, glyphs):
    """A row that wraps would push the gauge down the screen at every drawing."""
    rows = gauge(moved(), width, glyphs).plain.split("\n")
    assert len(rows) == ROWS
    assert all(len(row) < width for row in rows)


def test_the_mark_stands_inside_the_brackets_only_when_the_value_is_inside():
    """What the eye sees first must agree with the numbers."""
    inside = gauge(moved(9410.0, Cue.GOOD, position=0.02), 80, ASCII).plain.split("\n")[1]
    outside = gauge(moved(9872.0, position=0.8), 80, ASCII).plain.split("\n")[1]
    assert inside.index("[") < inside.index("#") < inside.index("]")
    assert outside.index("]") < outside.index("#")


@pytest.mark.parametrize(("position", "column"), [(-1.0, 1), (1.0, 78), (-7.0, 1), (7.0, 78)])
def test_a_value_off_the_bar_is_drawn_at_its_end(position, column):
    """Far away is still somewhere: the mark never leaves the bar."""
    row = gauge(moved(position=position), 80, ASCII).plain.split("\n")[1]
    assert row.index("#") == column


def test_distance_is_said_from_the_readings_side():
    """9.872 kV against 9.400 kV is high, whatever the sign inside."""
    assert "472 V high" in gauge(moved(), 80).plain
    assert "low" in gauge(moved(9000.0), 80).plain


def test_an_old_reading_is_marked_old():
    """A stale number must not look like the present one."""
    assert " old" in gauge(moved(stale=True), 80).plain
    assert " old" not in gauge(moved(), 80).plain


def test_no_value_shows_no_digits():
    """Without a reading there is no number, no mark on the bar and no distance."""
    rows = gauge(moved(None, Cue.WAIT, position=None), 80, ASCII).plain.split("\n")
    assert "--.--" in rows[0]
    assert "#" not in rows[1]


def test_hold_time_fills():
    """The person sees how long the hands have to stay off."""
    assert gauge(moved(9400.0, Cue.GOOD, held=0.5), 80, ASCII).plain.count("=") == 6
    assert gauge(moved(9400.0, Cue.ACCEPTED, held=1.0), 80, ASCII).plain.count("=") == 12


def test_terminal_without_the_full_set_gets_ascii():
    """latin-1 and unknown encodings must not raise in the middle of a trim."""
    assert glyphs_for("utf-8") is FULL
    assert glyphs_for("latin-1") is ASCII
    assert glyphs_for(None) is ASCII
    assert glyphs_for("no-such-encoding") is ASCII
    assert all(len(c) == 1 for c in vars_of(FULL) + vars_of(ASCII))


def test_hostile_trimmer_name_stays_text():
    """A name from a file can neither steer the terminal nor use markup."""
    text = gauge(TrimMoved("x", GOAL, moved().view, "[red]RV\x1b[2J41"), 80)
    console = Console(width=80, record=True, file=open("/dev/null", "w"))  # noqa: SIM115
    console.print(text)
    console.file.close()
    assert "[red]RV?[2J41" in console.export_text()


@pytest.mark.parametrize("width", range(16, 81))
def test_a_figure_is_shown_whole_or_not_at_all(width):
    """A distance cut after its first digit would read as another distance."""
    row = gauge(moved(), width).plain.split("\n")[0]
    assert row.strip() in {
        "RV41   9.872 kV   target 9.400 kV   472 V high",
        "RV41   9.872 kV   472 V high",
        "RV41   9.872 kV",
    } or (width < 18 and row.endswith("9.872 kV"))


def test_a_long_name_gives_way_to_the_value():
    """What is turned is known; what it reads is not."""
    named = replace(moved(), trimmer="neck ring A, horizontal centring")
    assert "9.872 kV" in gauge(named, 40).plain


def test_a_hint_with_figures_is_left_out_where_it_does_not_fit():
    """Words may be cut at the edge of the screen, figures not."""
    least = replace(moved(), view=replace(moved().view, hint="least so far 0.0612"))
    assert "least so far 0.0612" in gauge(least, 80).plain
    assert "least" not in gauge(least, 30).plain


def test_waiting_for_the_quiet_phase_is_said_once():
    """The cue says it; the reason behind it is the same words."""
    quiet = replace(moved(cue=Cue.QUIET), view=replace(moved(cue=Cue.QUIET).view, hint="waiting for the quiet phase"))
    assert gauge(quiet, 80).plain.count("quiet") == 1


def styles(drawn):
    return {str(span.style) for span in drawn.spans}


@pytest.mark.parametrize("stale", [True, False])
@pytest.mark.parametrize("cue", list(Cue))
def test_nothing_is_faint_and_colour_brings_its_own_background(cue, stale):
    """Bright cyan on white, yellow on white and faint text cannot be read on every terminal."""
    for style in styles(gauge(moved(9400.0, cue, position=0.0, stale=stale, held=0.5), 80)):
        assert "dim" not in style
        assert "cyan" not in style or style == "black on cyan"
