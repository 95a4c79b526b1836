"""Ctrl-Z and `fg`: the terminal is given back for as long as the program stands still, and taken up again after it."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType


@contextmanager
def stoppable(before: Callable[[], None], after: Callable[[], None] = lambda: None) -> Iterator[None]:
    """Inside, `before` is called when the program is about to stand still, `after` when it goes on.

    They nest: the innermost is called first, and last. Where nothing can stop the program, nothing is changed.
    """
    if not hasattr(signal, "SIGTSTP") or threading.current_thread() is not threading.main_thread():
        yield
        return
    found = signal.getsignal(signal.SIGTSTP)

    def stop(number: int, frame: FrameType | None) -> None:
        before()
        if callable(found):
            found(number, frame)
        else:
            innermost = signal.signal(signal.SIGTSTP, found)
            os.kill(os.getpid(), signal.SIGTSTP)  # here it stands still
            signal.signal(signal.SIGTSTP, innermost)
        after()

    signal.signal(signal.SIGTSTP, signal.SIG_IGN if found is signal.SIG_IGN else stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTSTP, found)
