"""The live screen: finished lines scroll up, the gauge of the running trim stays in the last three rows.

Where the screen became narrower, the terminal has broken the rows of the last picture in two: all of it is taken off,
or an old figure would stay above the new one. (A terminal that cuts rows instead of breaking them loses lines above.)

One owner, no thread: a new cue is drawn at once; anything else as soon as fewer than `BURST` pictures were drawn in so
many frames' time, so that a reading need not wait for the picture before it. What had to wait is drawn by `tick`.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable

from rich.console import Console
from rich.control import Control
from rich.live import Live
from rich.padding import Padding
from rich.segment import ControlType
from rich.text import Text

from ..session import notices as n
from .gauge import FULL, gauge, glyphs_for
from .large_gauge import large
from .sentences import plain, sentence
from .soak_rows import soak_rows

FRAME = 0.016  # seconds: what waits for the pictures before it is on the screen before 20 ms are over
BURST = 4  # pictures that may follow each other at once

_STYLES = {
    "pass": "bold",
    "done": "bold",
    "conditional pass": "bold",
    "skipped": "",
    "hold point lapsed": "bold reverse",
    "link down": "bold reverse",
    "link up": "bold",
    "step started": "bold",
    "alarm raised": "bold reverse",
    "alarm cleared": "bold",
}


class LiveScreen:
    """A display for a person at a terminal."""

    def __init__(self, console: Console, get_time: Callable[[], float] = time.monotonic) -> None:
        self._console = console
        self._time = get_time
        self._glyphs = glyphs_for(console.encoding)
        self._live: Live | None = None
        self._moved: n.TrimMoved | n.SoakMoved | None = None
        self._drawn_at: deque[float] = deque([-1e9] * BURST, maxlen=BURST)
        self._cue: object = None
        self._waiting = False
        self._fills = False  # the gauge of a trim takes the whole screen
        self._on_screen: list[str] = []  # the rows of the gauge as they were drawn last

    @property
    def waiting(self) -> bool:
        """There is something that `tick` will draw when its time has come."""
        return self._waiting

    def show(self, notice: n.Notice) -> None:
        if isinstance(notice, n.TrimMoved | n.SoakMoved):
            self._moved = notice
            self._waiting = True
            self.tick()
        elif not isinstance(notice, n.ReadingTaken):
            self._line(notice)

    def tick(self) -> None:
        """Draw what is waiting, if its time has come."""
        if not self._waiting or self._moved is None:
            return
        if _cue(self._moved) != self._cue or self._time() - self._drawn_at[0] >= BURST * FRAME:
            self._draw(self._moved)

    def _draw(self, moved: n.TrimMoved | n.SoakMoved) -> None:
        if self._live is None:
            self._live = Live(console=self._console, auto_refresh=False, transient=True)
            self._live.start()
        self._take_off_what_broke()
        picture = self._drawn(moved)
        self._live.update(picture, refresh=True)
        self._on_screen = picture.plain.split("\n")
        self._drawn_at.append(self._time())
        self._cue, self._waiting = _cue(moved), False

    def _take_off_what_broke(self) -> None:
        """Erase as many lines, from the last row of the gauge up, as its rows are more than when they were drawn."""
        width = self._console.width
        extra = sum(max(0, len(row) - 1) // width for row in self._on_screen)
        if extra:
            erase = ((ControlType.CARRIAGE_RETURN,), (ControlType.ERASE_IN_LINE, 2), (ControlType.CURSOR_UP, 1))
            self._console.control(Control(*erase * extra))
        self._on_screen = [row[:width] for row in self._on_screen]

    def _drawn(self, moved: n.TrimMoved | n.SoakMoved) -> Text:
        width, height = self._console.width, self._console.height
        if isinstance(moved, n.SoakMoved):
            return soak_rows(moved, width, max(3, height // 2), self._glyphs)
        if self._fills:
            return large(moved, width, height, self._glyphs, "█" if self._glyphs is FULL else "#")
        return gauge(moved, width, self._glyphs)

    def _line(self, notice: n.Notice) -> None:
        if isinstance(notice, n.StepStarted | n.StepEnded | n.JobEnded):
            self.suspend()
        self._print(Text(sentence(notice), style=_style(notice)))
        if isinstance(notice, n.StepStarted) and notice.instruction:
            self._print(Text(f"      {plain(notice.instruction)}"))

    def _print(self, text: Text) -> None:
        """Wrapped between words, later lines as far in as the first."""
        self._take_off_what_broke()
        indent = len(text.plain) - len(text.plain.lstrip())
        self._console.print(Padding(Text(text.plain.lstrip(), style=text.style), (0, 0, 0, indent)), highlight=False)

    def fill(self) -> None:
        """The gauge of a trim over the whole screen, to be read from a metre away; and back."""
        self._fills = not self._fills
        self._cue = None
        if self._moved is not None:
            self._waiting = True
            self.tick()

    def say(self, words: str, style: str = "") -> None:
        """A line that is no notice, such as the list of keys."""
        self._print(Text(words, style=style))

    def suspend(self) -> None:
        """Take the gauge off the screen, for a question or at a step's end. The next trim notice brings it back."""
        if self._live:
            self._take_off_what_broke()
            self._live.stop()
        self._on_screen = []
        self._live, self._moved, self._cue, self._waiting = None, None, None, False

    close = suspend


def _cue(moved: n.TrimMoved | n.SoakMoved) -> object:
    """What the hands are told, which never waits."""
    return (moved.view.cue, moved.view.turn, moved.asked) if isinstance(moved, n.TrimMoved) else None


def _style(notice: n.Notice) -> str:
    if isinstance(notice, n.StepEnded):
        return _STYLES.get(notice.verdict, "bold reverse")
    if isinstance(notice, n.Said) and notice.level != "note":
        return "bold reverse"
    return _STYLES.get(notice.kind, "")
