"""A screen that goes away ends the job once and in words, and never keeps it from making safe."""

import errno
import os

import pytest

from benchrig.errors import BenchrigError, Stopped
from benchrig.session.notices import Said
from benchrig.ui.lasting import Lasting, LastingScreen

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


@pytest.mark.parametrize("number", [errno.EPIPE, errno.EIO])
def test_a_closed_pipe_or_terminal_stops_the_job_once(number):
    """Exit code 3 in the first call; everything after it is silent, also the closing."""
    screen = LastingScreen(Breaks(OSError(number, os.strerror(number))))
    with pytest.raises(Stopped, match="terminal or the pipe was closed"):
        screen.show(SAID)
    screen.show(SAID)
    screen.say("words")
    screen.suspend()
    screen.tick()
    screen.close()


def test_a_full_disk_is_named():
    """It is no wish of the operator: exit code 4, and what the system says."""
    with pytest.raises(BenchrigError, match="No space left on device") as caught:
        Lasting(Breaks(OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)))).show(SAID)
    assert caught.value.exit_code == 4


def test_a_defect_is_not_taken_for_a_closed_terminal():
    """What is no trouble of writing is raised as it is."""
    with pytest.raises(KeyError):
        Lasting(Breaks(KeyError("x"))).show(SAID)
