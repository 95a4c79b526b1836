"""The live screen in a real terminal (tmux, which breaks long rows anew as most terminals do) that is made narrower."""

import shutil
import subprocess
import sys
import time
import uuid

import pytest

DRAW = """
import sys, time
from rich.console import Console
from benchrig.session import notices as n
from benchrig.trim.types import Cue, Goal, TrimView
from benchrig.ui.live_screen import LiveScreen

def moved(value):
    view = TrimView(value, 9400.0 - value, Cue.DOWN, 0.0, 0.8, (-0.3, 0.3), False)
    return n.TrimMoved("eht", Goal(9400.0, 9250.0, 9550.0, "V"), view, "RV41")

screen = LiveScreen(Console(force_terminal=True))
screen.show(n.Said("eht", "turn slowly"))
screen.show(moved(9872.0))
sys.stdin.readline()
screen.show(moved(9650.0))
time.sleep(1.0)
screen.tick()
time.sleep(60.0)
"""


class Tmux:
    def __init__(self):
        self._name = f"benchrig-{uuid.uuid4().hex[:8]}"

    def __call__(self, *words):
        command = ["tmux", "-L", self._name, "-f", "/dev/null", *words]
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout

    def until(self, words):
        end = time.monotonic() + 20.0
        while words not in (seen := self("capture-pane", "-p")):
            assert time.monotonic() < end, seen
            time.sleep(0.1)
        return seen


@pytest.fixture
def tmux():
    terminal = Tmux()
    yield terminal
    subprocess.run(["tmux", "-L", terminal._name, "kill-server"], check=False)


@pytest.mark.skipif(shutil.which("tmux") is None, reason="needs tmux")
@pytest.mark.parametrize("width", [60, 33, 100])
def test_a_narrower_screen_keeps_no_old_figure(tmux, tmp_path, width):
    """One gauge of three rows on the screen, nothing of the picture before."""
    file = tmp_path / "draw.py"
    file.write_text(DRAW)
    tmux(
        "new-session", "-d", "-x", "80", "-y", "24", f"stty -echo; exec env -u COLUMNS -u LINES {sys.executable} {file}"
    )
    tmux.until("9.872 kV")
    tmux("resize-window", "-x", str(width), "-y", "24")
    time.sleep(1.0)  # tmux tells the program a little later
    tmux("send-keys", "Enter")
    rows = [row for row in tmux.until("9.650 kV").splitlines() if row.strip()]
    assert [row.split()[0] for row in rows if row.strip() != "turn slowly"][::2] == ["RV41", "turn"]
    assert "9.872" not in "".join(rows)
