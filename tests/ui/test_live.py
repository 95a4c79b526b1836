"""The live screen on a recorded console: lines stay readable, the gauge comes and goes with its step."""

import io

import pytest
from rich.console import Console

from benchrig.session import notices as n
from benchrig.trim.types import Cue, Goal, TrimView
from benchrig.ui.live_screen import BURST, FRAME, LiveScreen

GOAL = Goal(9400.0, 9250.0, 9550.0, "V")


class Screen:
    def __init__(self, width=80):
        self.file = io.StringIO()
        self.now = 0.0
        console = Console(
            file=self.file, width=width, height=24, force_terminal=True, _environ={"TERM": "xterm-256color"}
        )
        self.live = LiveScreen(console, get_time=lambda: self.now)

    def text(self):
        return self.file.getvalue()


def moved(value=9872.0, cue=Cue.DOWN):
    return n.TrimMoved("eht", GOAL, TrimView(value, 9400.0 - value, cue, 0.0, 0.8, (-0.3, 0.3), False), "RV41")


def test_long_lines_break_between_words_and_keep_their_indent():
    """Instructions are read from the corner of an eye."""
    screen = Screen(40)
    screen.live.show(n.Said("s", "Turn RV21 slowly and count only while the pattern is blank."))
    lines = [line.rstrip() for line in screen.text().splitlines() if line.strip()]
    assert len(lines) == 2
    assert all(line.startswith("      ") and len(line) <= 40 for line in lines)
    assert " ".join(" ".join(lines).split()) == "Turn RV21 slowly and count only while the pattern is blank."


def test_readings_alone_draw_nothing():
    """The gauge is drawn from the trim's view, never from a bare reading."""
    from benchrig.readings import Reading

    screen = Screen()
    screen.live.show(n.ReadingTaken("s", "meter", Reading(1.0, "V")))
    assert screen.text() == ""


def test_pictures_come_at_once_but_no_faster_than_a_frame_each_in_the_long_run():
    """A short burst may follow; what had to wait is drawn by the next tick after its time."""
    screen = Screen()
    for value in (9872.0, 9800.0, 9700.0, 9650.0)[:BURST]:
        screen.live.show(moved(value))
        assert f"{value / 1e3:.3f} kV" in screen.text()
    screen.live.show(moved(9600.0))
    assert "9.600 kV" not in screen.text()
    assert screen.live.waiting
    screen.now += BURST * FRAME
    screen.live.tick()
    assert "9.600 kV" in screen.text()
    assert not screen.live.waiting
    screen.live.close()


def test_a_new_cue_never_waits():
    """Not even right behind a burst of pictures."""
    screen = Screen()
    for value in (9872.0, 9800.0, 9700.0, 9650.0)[:BURST]:
        screen.live.show(moved(value))
    screen.live.show(moved(9600.0, Cue.STOP))
    assert "9.600 kV" in screen.text()
    screen.live.close()


@pytest.mark.parametrize("ending", [n.StepEnded("eht", "pass", 9400.0, "V", 20.0), n.JobEnded(1, "all in", 0)])
def test_the_gauge_leaves_with_its_step_and_the_cursor_comes_back(ending):
    screen = Screen()
    screen.live.show(moved())
    screen.live.show(ending)
    assert screen.text().rfind("\x1b[?25h") > screen.text().rfind("\x1b[?25l")
    before = screen.text()
    screen.now += 1.0
    screen.live.tick()
    assert screen.text() == before


def test_hostile_words_neither_steer_nor_style():
    screen = Screen()
    screen.live.show(n.Said("s", "[red]x[/red]\x1b[2J"))
    assert "[red]x[/red]?[2J" in screen.text()
    screen.live.say("[bold]keys[/bold]")
    assert "[bold]keys[/bold]" in screen.text()
