"""A person at a real pseudo-terminal: refusing, Ctrl-C, a hang-up. The terminal is given back, the record is closed."""

import os
import pty
import re
import select
import signal
import subprocess
import sys
import termios
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from short_job import EHT, HAZARD, HEAD, RAIL

from benchrig.records import History

PROGRAM = str(Path(sys.executable).with_name("benchrig"))


class Terminal:
    """A program on a pseudo-terminal of 80 x 24."""

    def __init__(self, *words: str, cwd: Path) -> None:
        self._ours, self.theirs = pty.openpty()
        termios.tcsetwinsize(self.theirs, (24, 80))
        self.as_found = termios.tcgetattr(self.theirs)
        environment = os.environ | {"TERM": "xterm-256color", "COLUMNS": "80", "LINES": "24"}
        self.program = subprocess.Popen(
            [PROGRAM, *words], stdin=self.theirs, stdout=self.theirs, stderr=self.theirs, env=environment, cwd=cwd,
            start_new_session=True, preexec_fn=lambda: __import__("fcntl").ioctl(0, termios.TIOCSCTTY, 0),
        )  # fmt: skip
        self.seen = ""
        self._read_to = 0

    def until(self, words: str, seconds: float = 60.0) -> None:
        """Wait for words after those that were waited for before."""
        end = time.monotonic() + seconds
        while not (found := re.search(words, self.seen[self._read_to :])):
            assert time.monotonic() < end, f"{words!r} not in {self.seen[self._read_to :][-2000:]!r}"
            self._pump(0.1)
        self._read_to += found.end()

    def type(self, text: str) -> None:
        os.write(self._ours, text.encode())

    def wait(self, seconds: float = 60.0) -> int:
        end = time.monotonic() + seconds
        while self.program.poll() is None and time.monotonic() < end:
            self._pump(0.1)
        self._pump(0.1)
        assert self.program.returncode is not None, self.seen[-2000:]
        return self.program.returncode

    def _pump(self, seconds: float) -> None:
        if select.select([self._ours], [], [], seconds)[0]:
            self.seen += os.read(self._ours, 65536).decode("utf-8", "replace")

    def close(self) -> None:
        if self.program.poll() is None:
            self.program.kill()
            self.program.wait()
        os.close(self._ours)
        os.close(self.theirs)


@contextmanager
def practice(folder: Path, steps: str) -> Iterator[Terminal]:
    """`benchrig rehearse --hands` of a short procedure."""
    file = folder / "short.toml"
    file.write_text(HEAD + (HAZARD if "hazard" in steps else "") + steps)
    terminal = Terminal("rehearse", str(file), "--hands", "--store", "record.sqlite", cwd=folder)
    try:
        yield terminal
    finally:
        terminal.close()


def last_job(folder: Path):
    with History(folder / "record.sqlite") as history:
        return history.jobs()[0]


@pytest.mark.parametrize("words", [["y", "", "n", "y"], ["", "", "stop"]])
def test_a_person_who_does_not_type_the_sentence_reads_no_kilovolts(tmp_path, words):
    """Three times other words, or "stop", is a refusal: exit code 5, and the record says what was typed.

    Enter alone is no answer: it is asked again, and counts for nothing.
    """
    with practice(tmp_path, EHT) as terminal:
        terminal.until("number, or stop")
        terminal.type("1\n")
        terminal.until("number, or stop")
        terminal.type("1\n")
        terminal.until("HOLD POINT")
        for place, typed in enumerate(words):
            if place == 0 or words[place - 1]:
                terminal.until("in place")
                terminal.type("yes\n")
            terminal.until("   > ")
            terminal.type(typed + "\n")
        assert terminal.wait() == 5
        assert termios.tcgetattr(terminal.theirs) == terminal.as_found
    with History(tmp_path / "record.sqlite") as history:
        job = history.jobs()[0]
        answers = history.acknowledgements(job.id)
    assert job.exit_code == 5
    assert [row["typed"] for row in answers] == [None if it == "stop" else it for it in words if it]


TRIM = """
[[step]]
id = "zero"
kind = "trim"
title = "X DAC zero"
instrument = "handheld"
function = "dc voltage"
point = "A1 TP1"
trimmer = "RV21"
target = "5 V"
window = ["4.9 V", "5.1 V"]
"""


@pytest.mark.parametrize("way", ["ctrl-c", "SIGTERM", "SIGHUP", "q"])
def test_every_way_out_of_a_trim_gives_the_terminal_back_and_closes_the_record(tmp_path, way):
    """Exit code 3; echo, line mode and cursor as before; an outcome in the record."""
    with practice(tmp_path, RAIL.replace("readings = 8", "readings = 2") + TRIM) as terminal:
        while "target 5.000 V" not in terminal.seen:  # answer what is asked on the way to the gauge
            terminal.until(r"number, or stop|target 5.000 V")
            if "target 5.000 V" not in terminal.seen:
                terminal.type("1\n")
        time.sleep(0.3)
        if way == "ctrl-c":
            terminal.type("\x03")
        elif way == "q":
            terminal.type("q")
            terminal.until("yes/no")
            terminal.type("yes\n")
        else:
            terminal.program.send_signal(getattr(signal, way))
        assert terminal.wait() == 3, terminal.seen[-2000:]
        assert termios.tcgetattr(terminal.theirs) == terminal.as_found
        assert terminal.seen.rfind("\x1b[?25h") >= terminal.seen.rfind("\x1b[?25l")
    job = last_job(tmp_path)
    assert job.ended is not None
    assert job.exit_code == 3
