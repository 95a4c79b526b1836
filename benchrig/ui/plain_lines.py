"""Plain lines for a pipe, a log or a dumb terminal: every step, verdict and change of cue, not every reading."""

from __future__ import annotations

from typing import TextIO

from ..session.notices import Notice, ReadingTaken, SoakMoved, StepStarted, TrimMoved
from .display import Display
from .line_breaks import for_terminal
from .sentences import sentence


class PlainLines(Display):
    """A display of one line a notice. A trim writes when its cue changes."""

    def __init__(self, file: TextIO) -> None:
        self._file = file
        self._last_cue: tuple[str, str] | None = None

    def show(self, notice: Notice) -> None:
        if self._worth_a_line(notice):
            self._write(sentence(notice))
            if isinstance(notice, StepStarted) and notice.instruction:
                self._write(f"      {notice.instruction}")

    def _worth_a_line(self, notice: Notice) -> bool:
        if isinstance(notice, ReadingTaken | SoakMoved):
            return False
        if not isinstance(notice, TrimMoved):
            return True
        cue = (notice.step, notice.view.cue.value)
        changed, self._last_cue = cue != self._last_cue, cue
        return changed

    def _write(self, text: str) -> None:
        encoding = getattr(self._file, "encoding", None) or "utf-8"
        shown = for_terminal(text, self._file)
        self._file.write(shown.encode(encoding, "replace").decode(encoding) + "\n")
        self._file.flush()
