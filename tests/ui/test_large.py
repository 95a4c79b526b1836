"""The gauge over the whole terminal: figures and cue in letters that are read from a metre away."""

import pytest

from benchrig.session.notices import TrimMoved
from benchrig.trim.types import Cue, Goal, TrimView, Way
from benchrig.ui.gauge import ASCII, FULL
from benchrig.ui.large_gauge import _FONT, large, short_cue
from benchrig.ui.sentences import CUE_WORDS

GOAL = Goal(9400.0, 9250.0, 9550.0, "V")


def moved(cue=Cue.DOWN, value=9872.0, **more):
    distance = None if value is None else 9400.0 - value
    return TrimMoved("eht", GOAL, TrimView(value, distance, cue, 0.0, 0.8, (-0.3, 0.3), False, **more), "RV41")


def letters(text):
    """What stands in large letters, read back from the blocks by the font itself."""
    return [line for line in text.plain.split("\n") if "█" in line]


@pytest.mark.parametrize("width", [60, 80, 132])
@pytest.mark.parametrize("height", [16, 24, 50])
@pytest.mark.parametrize("cue", list(Cue))
def test_it_fits_the_screen_whatever_it_says(width, height, cue):
    rows = large(moved(cue), width, height, FULL).plain.split("\n")
    assert len(rows) < height
    assert max(map(len, rows)) < width


def test_digits_take_a_fifth_of_the_height_at_least():
    """24 rows of about 5 mm: 25 mm of digits; the eye needs some 5 mm at a metre (1/200, a rule of thumb)."""
    blocks = letters(large(moved(), 80, 24, FULL))
    assert len(blocks) >= 10  # five rows of the value and five of the cue
    blocks = letters(large(moved(), 120, 50, FULL))
    assert len(blocks) >= 20


def test_each_digit_is_another_picture():
    """No two letters of the font are drawn alike, save zero and O, one and the like that print alike everywhere."""
    drawn = {}
    for letter, bits in _FONT.items():
        drawn.setdefault(bits, []).append(letter)
    assert [it for it in drawn.values() if len(it) > 1] == [["0", "O"]]


def test_a_small_screen_keeps_the_small_gauge():
    assert "█" not in large(moved(), 80, 10, FULL).plain
    assert "█" not in large(moved(value=-1234567.0), 24, 24, FULL).plain


def test_without_the_full_set_blocks_are_plain_characters():
    large(moved(), 80, 24, ASCII, "#").plain.encode("ascii")


@pytest.mark.parametrize(
    ("cue", "more", "said"),
    [
        (Cue.UP, {}, "UP"),
        (Cue.UP, {"turn": Way.CLOCKWISE}, "UP CW"),
        (Cue.SLOW_DOWN, {"turn": Way.COUNTER_CLOCKWISE}, "SLOW CCW"),
        (Cue.ASKED, {"turn": Way.CLOCKWISE, "asked": 90.0}, "CW 1/4"),
        (Cue.ASKED, {"turn": Way.COUNTER_CLOCKWISE, "asked": -20.0}, "CCW 20°"),
        (Cue.ASKED, {"turn": Way.CLOCKWISE, "asked": 900.0}, "CW 2.5"),
        (Cue.END_STOP, {}, "BACK OFF"),
        (Cue.CEILING, {}, "LET GO"),
    ],
)
def test_the_cue_in_a_word_or_two(cue, more, said):
    assert short_cue(moved(cue, **more).view) == said


@pytest.mark.parametrize("cue", list(Cue))
def test_the_full_words_stand_below(cue):
    assert CUE_WORDS[cue] in large(moved(cue), 100, 24, FULL).plain
