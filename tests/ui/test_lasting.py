"""A screen that goes away asks the job to stop, once, and never keeps it from making safe."""

import errno
import os

import pytest

from benchrig.session.interruptions import StopAsked
from benchrig.session.notices import Said
from benchrig.ui.display_failures import Lasting, LastingScreen

SAID = Said("s", "words")


class Breaks:
    """A screen on which everything raises `error`."""

    def __init__(self, error):
        self.error = error

    def show(self, notice):
        raise self.error

    def say(self, words, style=""):
        raise self.error

    def tick(self):
        raise self.error

    suspend = close = tick


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.EPIPE, "terminal or the pipe was closed"),
        (errno.EIO, "terminal or the pipe was closed"),
        (errno.ENOSPC, "No space left on device"),
    ],
)
def test_what_cannot_be_written_asks_the_job_to_stop_once(number, words):
    """Where the job looks at what is wanted, and nowhere else; what went wrong is told once, elsewhere."""
    told = []
    screen = LastingScreen(Breaks(OSError(number, os.strerror(number))), told.append)
    screen.show(SAID)
    screen.say("words")
    screen.suspend()
    with pytest.raises(StopAsked, match=words):
        screen.tick()
    screen.tick()
    screen.show(SAID)
    screen.close()
    assert len(told) == 1
    assert words in told[0]


def test_that_nobody_can_be_told_either_is_no_trouble():
    """A closed terminal has closed standard error too."""

    def tell(words):
        raise OSError(errno.EIO, "")

    Lasting(Breaks(BrokenPipeError(errno.EPIPE, "")), tell).show(SAID)


def test_a_defect_is_not_taken_for_a_closed_terminal():
    """What is no trouble of writing is raised as it is."""
    with pytest.raises(KeyError):
        Lasting(Breaks(KeyError("x")), print).show(SAID)
