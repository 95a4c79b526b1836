"""Keys on a real pseudo-terminal: what is pressed arrives, and the terminal is given back."""

import os
import pty
import select
import signal
import subprocess
import sys
import termios
import time

import pytest

from benchrig.ui.keys import NoKeys, open_keys, split_keys


def test_arrows_and_letters_are_told_apart():
    """Both cursor-key modes, shifted arrows, a lone escape, and plain letters between them."""
    assert split_keys("p\x1b[D\x1bOCq\x1b[1;2A\x1b ") == ["p", "left", "right", "q", "shift-up", "escape", " "]


@pytest.fixture
def terminal():
    ours, theirs = pty.openpty()
    with open(theirs, closefd=True) as file:
        yield ours, file
    os.close(ours)


def test_pressed_keys_arrive_without_return_and_the_terminal_is_restored(terminal):
    """Single keys while open; line mode and echo as found afterwards."""
    ours, file = terminal
    as_found = termios.tcgetattr(file.fileno())
    with open_keys(file) as keys:
        assert keys.poll() == []
        os.write(ours, b"s\x1b[A")
        deadline = time.monotonic() + 5
        pressed = []
        while len(pressed) < 2 and time.monotonic() < deadline:
            pressed += keys.poll()
        assert pressed == ["s", "up"]
    assert termios.tcgetattr(file.fileno()) == as_found


def test_no_terminal_means_no_keys(tmp_path):
    """A pipe or a file at standard input is never read for keys."""
    path = tmp_path / "in"
    path.write_text("qqq")
    with path.open() as file, open_keys(file) as keys:
        assert isinstance(keys, NoKeys)
        assert keys.poll() == []
        assert keys.line("?") is None


@pytest.mark.parametrize("way_out", [signal.SIGINT, signal.SIGTERM, None])
def test_every_way_out_restores_the_terminal(way_out):
    """Ctrl-C, SIGTERM and an error inside all leave echo and line mode on."""
    program = (
        "import signal, sys, time\n"
        "from benchrig.commands.options import orderly\n"
        "from benchrig.ui.keys import open_keys\n"
        "with orderly(), open_keys():\n"
        "    print('open', flush=True)\n"
        "    if 'fall' in sys.argv: raise SystemExit(3)\n"
        "    time.sleep(30)\n"
    )
    ours, theirs = pty.openpty()
    as_found = termios.tcgetattr(theirs)
    child = subprocess.Popen(
        [sys.executable, "-c", program, "fall" if way_out is None else "wait"],
        stdin=theirs,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )
    try:
        assert child.stdout.readline() == b"open\n"
        if way_out is not None:
            assert termios.tcgetattr(theirs)[3] & (termios.ICANON | termios.ECHO) == 0
            child.send_signal(way_out)
        child.wait(10)
    finally:
        child.kill()
        child.stdout.close()
        restored = termios.tcgetattr(theirs)
        os.close(ours)
        os.close(theirs)
    assert restored == as_found


ASKING = """
import sys, time
from benchrig.ui.keys import open_keys
from benchrig.ui.suspend import stoppable
with open_keys() as keys, stoppable(keys.stopping, keys.going_on):
    print("open", flush=True)
    time.sleep(float(sys.argv[1]))
    print("got", repr(keys.line("in place? ")), repr(keys.line("and then? ")), flush=True)
"""


@pytest.fixture
def asking():
    """A program that asks two questions, after so many seconds, on a pseudo-terminal of its own."""
    started = []

    def start(after):
        ours, theirs = pty.openpty()
        child = subprocess.Popen(
            [sys.executable, "-c", ASKING, str(after)], stdin=theirs, stdout=theirs, stderr=theirs, process_group=0
        )
        started.append((child, ours, theirs))
        return child, ours

    yield start
    for child, ours, theirs in started:
        child.kill()
        child.wait()
        os.close(ours)
        os.close(theirs)


def until(ours, words, seen=b""):
    while words not in seen:
        assert select.select([ours], [], [], 20.0)[0], seen
        seen += os.read(ours, 65536)
    return seen.split(words, 1)[1]


def test_what_was_typed_before_a_question_answers_nothing(asking):
    """Neither what lay on the keyboard before the first one, nor the rest of a paste before the second."""
    _, ours = asking(0.5)
    until(ours, b"open")
    os.write(ours, b"yes\nyes\n")
    until(ours, b"in place? ")
    os.write(ours, b"no\nyes\nA4 TP40\n")
    until(ours, b"and then? ")
    os.write(ours, b"meant\n")
    until(ours, b"got 'no' 'meant'")


def test_a_question_stands_there_again_after_fg(asking):
    """Whoever comes back sees what is asked."""
    child, ours = asking(0.0)
    rest = until(ours, b"in place? ")
    child.send_signal(signal.SIGTSTP)
    os.waitpid(child.pid, os.WUNTRACED)
    child.send_signal(signal.SIGCONT)
    until(ours, b"in place? ", rest)
    os.write(ours, b"yes\n")
    until(ours, b"and then? ")
    os.write(ours, b"1\n")
    until(ours, b"got 'yes' '1'")
