"""A display whose terminal, pipe or disk may go away in the middle of a job.

Rules it keeps:
- That nothing can be written any more is told once, elsewhere, and asks the job to stop as the operator would: when the
  job looks at what is wanted of it, and at no other moment.
- Nothing else ever raises, so that making safe and closing the record are not kept from their work by a screen.
"""

from __future__ import annotations

import errno
from collections.abc import Callable
from typing import TYPE_CHECKING

from ..session.interruptions import StopAsked
from ..session.notices import Notice

if TYPE_CHECKING:
    from .display import Display, Screen

# A pipe whose reader has gone, and a terminal that was closed.
_NOBODY = frozenset({errno.EPIPE, errno.EIO, errno.ENXIO, errno.EBADF})


class Lasting:
    """`display`, until it fails; `tell` gets the words about that, which may themselves reach nobody."""

    def __init__(self, display: Display, tell: Callable[[str], object]) -> None:
        self._display = display
        self._tell = tell
        self._gone = ""
        self._stop_asked = False

    def show(self, notice: Notice) -> None:
        self._do(lambda: self._display.show(notice))

    def tick(self) -> None:
        """Raises StopAsked, once, after nothing could be written."""
        self._do(self._display.tick)
        if self._gone and not self._stop_asked:
            self._stop_asked = True
            raise StopAsked(self._gone)

    def close(self) -> None:
        self._do(self._display.close)

    def _do(self, act: Callable[[], None]) -> None:
        if self._gone:
            return
        try:
            act()
        except OSError as error:
            self._fails(trouble(error))
        except SystemExit:  # as rich ends a program whose pipe has gone
            self._fails(trouble(BrokenPipeError(errno.EPIPE, "")))

    def _fails(self, words: str) -> None:
        self._gone = words
        try:
            self._tell(words)
        except OSError:  # nobody is there to be told either
            return


class LastingScreen(Lasting):
    """The same of a screen that can make room for a question."""

    def __init__(self, screen: Screen, tell: Callable[[str], object]) -> None:
        super().__init__(screen, tell)
        self._screen = screen

    def say(self, words: str, style: str = "") -> None:
        self._do(lambda: self._screen.say(words, style))

    def suspend(self) -> None:
        self._do(self._screen.suspend)

    def fill(self) -> None:
        self._do(self._screen.fill)


def trouble(error: OSError) -> str:
    """Why a job can no longer be watched."""
    if error.errno in _NOBODY:
        return "nobody reads what is written here any more: the terminal or the pipe was closed"
    return f"the output cannot be written: {error.strerror or error}"
