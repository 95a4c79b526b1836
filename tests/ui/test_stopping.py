"""Ctrl-Z gives the terminal back while the program stands still; `fg` goes on as before."""

import os
import pty
import select
import signal
import subprocess
import sys
import termios

PROGRAM = """
import sys, time
from contextlib import ExitStack
from benchrig.commands.display_choice import open_screen, open_stoppable_keys
from benchrig.session.notices import TrimMoved
from benchrig.trim.types import Cue, Goal, TrimView

with ExitStack() as stack:
    keys = open_stoppable_keys(stack)
    screen = open_screen(stack)
    stack.callback(screen.close)
    view = TrimView(9872.0, -472.0, Cue.DOWN, 0.0, 0.8, (-0.3, 0.3), False)
    while "q" not in keys.poll():
        screen.show(TrimMoved("eht", Goal(9400.0, 9250.0, 9550.0, "V"), view, "RV41"))
        time.sleep(0.1)
"""
SINGLE = termios.ICANON | termios.ECHO
HIDDEN, SHOWN = b"\x1b[?25l", b"\x1b[?25h"


def until(ours, words, seen=b""):
    while words not in seen:
        assert select.select([ours], [], [], 20.0)[0], seen
        seen += os.read(ours, 65536)
    return seen.split(words)[-1]


def test_a_stopped_trim_leaves_the_terminal_to_others_and_goes_on_with_fg():
    """Line mode, echo and cursor while it stands; single keys and the gauge again afterwards; each time it is asked."""
    ours, theirs = pty.openpty()
    as_found = termios.tcgetattr(theirs)
    job = subprocess.Popen(
        [sys.executable, "-c", PROGRAM], stdin=theirs, stdout=theirs, stderr=theirs,
        env={**os.environ, "TERM": "xterm-256color"}, process_group=0,  # an orphaned group of ours cannot be stopped
    )  # fmt: skip
    try:
        until(ours, HIDDEN)
        for _ in range(2):
            job.send_signal(signal.SIGTSTP)
            os.waitpid(job.pid, os.WUNTRACED)
            rest = until(ours, SHOWN)
            assert HIDDEN not in rest
            assert termios.tcgetattr(theirs) == as_found
            job.send_signal(signal.SIGCONT)
            until(ours, HIDDEN, rest)
            until(ours, b"9.872 kV")
            assert termios.tcgetattr(theirs)[3] & SINGLE == 0
        os.write(ours, b"q")
        until(ours, SHOWN)
        assert job.wait(20) == 0
        assert termios.tcgetattr(theirs) == as_found
    finally:
        job.kill()
        os.close(ours)
        os.close(theirs)
