"""Words are broken between words, whatever the width, and nothing of them is lost."""

import io
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from benchrig import cli
from benchrig.ui.line_breaks import between_words, for_terminal
from benchrig.ui.live_screen import LiveScreen

CAUTION = (
    "   ! About 9.4 kV, and it stays for seconds to minutes after switching off. It can kill, and it can throw you."
)


@given(st.text("ab -!\u00b5", max_size=200), st.integers(20, 200))
def test_no_word_is_broken_and_the_prompts_end_stays(text, width):
    """The same words in the same order; only a word longer than the line is wider than it."""
    shown = between_words(text, width)
    assert shown.split() == text.split()
    assert shown[len(shown.rstrip(" ")) :] == text[len(text.rstrip(" ")) :] or not text.strip()
    for line in shown.rstrip(" ").split("\n"):
        assert len(line) <= width or len(line.split()) == 1


@pytest.mark.parametrize("width", [40, 80, 200])
def test_a_live_screen_breaks_cautions_between_words(width):
    """Each later line begins with a whole word, as far in as the first."""
    out = io.StringIO()
    LiveScreen(Console(file=out, width=width, force_terminal=False)).say(CAUTION)
    lines = [line.rstrip() for line in out.getvalue().splitlines()]
    assert " ".join(lines).split() == CAUTION.split()
    assert all(line.startswith("   ") and len(line) <= width for line in lines)


def test_a_pipe_gets_the_line_as_it_is():
    """Other programs break lines themselves."""
    assert for_terminal(CAUTION, io.StringIO()) == CAUTION


class Terminal(io.StringIO):
    def isatty(self):
        return True


def test_an_error_on_a_terminal_keeps_its_words_whole(monkeypatch):
    """Also where it has several lines."""
    monkeypatch.setenv("COLUMNS", "40")
    told = Terminal()
    monkeypatch.setattr(sys, "stderr", told)
    assert cli.run(["check", "nosuch", "--bench", "skerry14/bench"]) == 2
    lines = told.getvalue().splitlines()
    assert "skerry14/restore," in told.getvalue().split()
    assert all(len(line) < 40 for line in lines)
    assert for_terminal("one\n" + CAUTION, told).split("\n")[0] == "one"
