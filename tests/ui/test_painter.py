"""A screen with a thread of its own: a terminal that takes nothing holds up nobody, and skips pictures, not lines."""

import io
import threading

import pytest
from rich.console import Console

from benchrig.session import notices as n
from benchrig.trim.types import Cue, Goal, TrimView
from benchrig.ui.live_screen import LiveScreen
from benchrig.ui.screen_thread import Painter

GOAL = Goal(9400.0, 9250.0, 9550.0, "V")


class Terminal(io.StringIO):
    """Takes nothing while its gate is shut."""

    def __init__(self):
        super().__init__()
        self.gate = threading.Event()
        self.stuck = threading.Event()
        self.gone = False

    def write(self, text):
        self.stuck.set()
        self.gate.wait(30)
        if self.gone:
            raise OSError(5, "Input/output error")
        return super().write(text)


@pytest.fixture
def terminal():
    return Terminal()


@pytest.fixture
def painter(terminal):
    console = Console(file=terminal, width=80, height=24, force_terminal=True, _environ={"TERM": "xterm-256color"})
    painter = Painter(LiveScreen(console))
    yield painter
    terminal.gate.set()
    terminal.gone = False
    painter.close()


def moved(value):
    return n.TrimMoved("eht", GOAL, TrimView(value, 9400.0 - value, Cue.DOWN, 0.0, 0.8, (-0.3, 0.3), False), "RV41")


def test_a_terminal_that_takes_nothing_skips_pictures_and_keeps_lines(painter, terminal):
    """All calls return while it is stuck; afterwards the newest picture is there, and every line, in order."""
    painter.show(n.Said("eht", "first"))
    assert terminal.stuck.wait(10)
    for value in range(9900, 9500, -1):
        painter.show(moved(float(value)))
        painter.tick()
    painter.show(n.Said("eht", "second"))
    painter.show(moved(9412.0))
    terminal.gate.set()
    painter.say("third")
    text = terminal.getvalue()
    assert text.index("first") < text.index("second") < text.index("third")
    assert "9.412 kV" in text
    assert text.count("RV41") <= 6  # redraws above the lines included; 401 were shown


def test_a_question_comes_after_all_that_was_told(painter, terminal):
    """What is asked is about what was shown."""
    terminal.gate.set()
    painter.show(n.Said("eht", "told before"))
    painter.suspend()
    assert "told before" in terminal.getvalue()


def test_a_terminal_that_is_gone_is_told_to_who_shows(painter, terminal):
    """The job must know: it makes safe what is live, and ends."""
    terminal.gone = True
    terminal.gate.set()
    painter.show(n.Said("eht", "into the void"))
    painter._thread.join(10)
    with pytest.raises(OSError, match="Input/output"):
        painter.show(n.Said("eht", "again"))


def test_what_waited_for_its_time_is_drawn_without_another_call(painter, terminal):
    """The last value before a pause is the one on the screen."""
    terminal.gate.set()
    for value in (9901.0, 9900.0, 9899.0, 9898.0, 9897.0, 9896.0):
        painter.show(moved(value))
        painter._drain()
    for _ in range(200):
        if "9.896 kV" in terminal.getvalue():
            break
        threading.Event().wait(0.01)
    assert "9.896 kV" in terminal.getvalue()
