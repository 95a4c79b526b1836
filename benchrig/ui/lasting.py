"""A display whose terminal, pipe or disk may go away in the middle of a job.

Rules it keeps:
- The first time nothing can be written, the job is told, once, in words: it ends in an orderly way.
- After that nothing is written and nothing raises, so that making safe and closing the record are never kept
  from their work by a screen.
"""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Callable
from typing import TYPE_CHECKING

from ..errors import BenchrigError, Stopped
from ..session.notices import Notice

if TYPE_CHECKING:
    from .terminal import Display, Screen

# A pipe whose reader has gone; a terminal that was closed, as Linux and as Windows say it.
_NOBODY = frozenset({errno.EPIPE, errno.EIO, errno.ESHUTDOWN, errno.ENXIO, errno.EBADF, errno.EINVAL})


class Lasting:
    """`display`, until it fails."""

    def __init__(self, display: Display) -> None:
        self._display = display
        self._gone = False

    def show(self, notice: Notice) -> None:
        """Raises Stopped where nobody reads any more, BenchrigError where it cannot be written; either once."""
        self._do(lambda: self._display.show(notice))

    def tick(self) -> None:
        self._do(self._display.tick)

    def close(self) -> None:
        """Never raises for want of a terminal."""
        with contextlib.suppress(OSError):
            self._display.close()

    def _do(self, act: Callable[[], None]) -> None:
        if self._gone:
            return
        try:
            act()
        except OSError as error:
            self._gone = True
            raise output_trouble(error) from error
        except SystemExit as ended:  # as rich ends the program when its pipe has gone
            self._gone = True
            raise output_trouble(BrokenPipeError(errno.EPIPE, os.strerror(errno.EPIPE))) from ended


class LastingScreen(Lasting):
    """The same of a screen that can make room for a question."""

    def __init__(self, screen: Screen) -> None:
        super().__init__(screen)
        self._screen = screen

    def say(self, words: str, style: str = "") -> None:
        self._do(lambda: self._screen.say(words, style))

    def suspend(self) -> None:
        self._do(self._screen.suspend)


def output_trouble(error: OSError) -> BenchrigError:
    """What a job that can no longer be watched ends with."""
    if isinstance(error, BrokenPipeError) or error.errno in _NOBODY:
        return Stopped("Nobody reads what is written here any more: the terminal or the pipe was closed.")
    return BenchrigError(
        f"The output cannot be written: {error.strerror or error}.",
        next_step="Make room, or write it elsewhere; what was recorded is safe.",
    )
