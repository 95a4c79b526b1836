"""The live screen: finished lines scroll up, the gauge of the running trim stays in the last three rows.

One owner, no thread: it draws when something changed and a frame's time has passed since the last drawing.
What had to wait is drawn by `tick`, which the operator's key poll calls.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from rich.console import Console
from rich.live import Live
from rich.markup import escape
from rich.padding import Padding
from rich.text import Text

from ..session import notices as n
from .gauge import gauge, glyphs_for
from .soakview import soak_rows
from .words import plain, sentence

FRAME = 0.05  # seconds; 20 drawings a second is more than an eye follows and little for a slow link

_STYLES = {
    "pass": "bold cyan",
    "done": "bold cyan",
    "conditional pass": "bold",
    "skipped": "dim",
    "hold point lapsed": "bold reverse",
    "gap opened": "bold reverse",
    "gap closed": "bold",
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
        self._drawn_at = -1e9
        self._waiting = False

    def show(self, notice: n.Notice) -> None:
        if isinstance(notice, n.TrimMoved | n.SoakMoved):
            self._moved = notice
            self._waiting = True
            self.tick()
        elif not isinstance(notice, n.ReadingTaken):
            self._line(notice)

    def tick(self) -> None:
        """Draw what is waiting, if its time has come."""
        if self._waiting and self._moved and self._time() - self._drawn_at >= FRAME:
            self._draw(self._moved)

    def _draw(self, moved: n.TrimMoved | n.SoakMoved) -> None:
        if self._live is None:
            self._live = Live(console=self._console, auto_refresh=False, transient=True)
            self._live.start()
        self._live.update(self._drawn(moved), refresh=True)
        self._drawn_at, self._waiting = self._time(), False

    def _drawn(self, moved: n.TrimMoved | n.SoakMoved) -> Text:
        width, height = self._console.width, self._console.height
        if isinstance(moved, n.SoakMoved):
            return soak_rows(moved, width, max(3, height // 2), self._glyphs)
        return gauge(moved, width, self._glyphs)

    def _line(self, notice: n.Notice) -> None:
        if isinstance(notice, n.StepStarted | n.StepEnded | n.JobEnded):
            self.suspend()
        self._print(Text(sentence(notice), style=_style(notice)))
        if isinstance(notice, n.StepStarted) and notice.instruction:
            self._print(Text(f"      {plain(notice.instruction)}"))

    def _print(self, text: Text) -> None:
        """Wrapped between words, later lines as far in as the first."""
        indent = len(text.plain) - len(text.plain.lstrip())
        self._console.print(Padding(Text(text.plain.lstrip(), style=text.style), (0, 0, 0, indent)), highlight=False)

    def say(self, words: str, style: str = "") -> None:
        """A line that is no notice, such as the list of keys."""
        self._console.print(escape(words), style=style or None, highlight=False, soft_wrap=True)

    def suspend(self) -> None:
        """Take the gauge off the screen, for a question or at a step's end. The next trim notice brings it back."""
        if self._live:
            self._live.stop()
        self._live, self._moved, self._waiting = None, None, False

    close = suspend


def _style(notice: n.Notice) -> str:
    if isinstance(notice, n.StepEnded):
        return _STYLES.get(notice.verdict, "bold reverse")
    if isinstance(notice, n.Said) and notice.level != "note":
        return "bold reverse"
    return _STYLES.get(notice.kind, "")
