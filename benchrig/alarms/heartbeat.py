"""Beats from a watch to the process beside it, and what that process makes of them.

Rules it keeps:
1. The loop that watches gives the beats, no thread beside it: a loop that hangs is silent.
2. A watch that takes its leave is never told of. One that is gone without a word, killed or crashed, is told of at
   once; one that was silent for `SILENCE` seconds, until it is heard again.
3. What is told is told again until somebody acknowledges it.
"""

from __future__ import annotations

import math
import os
import threading
from collections.abc import Callable
from queue import Empty, SimpleQueue
from typing import IO

from ..clock import Clock
from .delivery import Alarms

BEAT, ASKING, LEAVE = b".", b"?", b"!"
EVERY = 2.0  # s between beats
SILENCE = 120.0  # s; opening instruments that do not answer takes a while too
TICK = 0.5  # s between looks
KEY = "watch"
MAYBE_ON = "The unit may still be on, and nobody watches it. Go and look."


class Beats:
    """The watch's end of the pipe. That nobody listens any more is said once, and never waited for."""

    def __init__(self, pipe: IO[bytes] | None, clock: Clock, warn: Callable[[str], None]) -> None:
        if pipe is not None and os.name == "posix":
            os.set_blocking(pipe.fileno(), False)
        self._pipe = pipe
        self._warn = warn
        self._clock = clock
        self._next = clock.now()

    def beat(self) -> None:
        """Call at each turn of the loop."""
        now = self._clock.now()
        if now >= self._next:
            self._next = now + EVERY
            self._say(BEAT)

    def asking(self) -> None:
        """A person is asked and may take long: silence is no sign of anything until the next beat."""
        self._next = -math.inf
        self._say(ASKING)

    def leave(self) -> None:
        """The watch ends, and means to."""
        self._say(LEAVE)
        self.close()

    def close(self) -> None:
        if self._pipe is not None:
            self._pipe.close()

    def _say(self, word: bytes) -> None:
        if self._pipe is None:
            return
        try:
            taken = self._pipe.write(word)
        except OSError:
            taken = None
        if not taken:  # None too where the pipe is full: the lookout hangs
            self._warn("The lookout is gone: nobody would be told if this watch ended.")
            self._pipe.close()
            self._pipe = None


def listen(pipe: int, alarms: Alarms, clock: Clock, silence: float = SILENCE) -> None:
    """Until the watch takes its leave, or somebody acknowledges that it is gone. Its beats come from `pipe`."""
    heard: SimpleQueue[bytes] = SimpleQueue()
    threading.Thread(target=_read, args=(pipe, heard), name="beats", daemon=True).start()
    last, silent = clock.now(), False
    while (words := _next(heard)) != b"":
        if words is not None:
            if LEAVE in words:
                return
            last = math.inf if words.endswith(ASKING) else clock.now()
        if silent != (clock.now() - last > silence):
            silent = not silent
            _tell(alarms, silent, f"Nothing was heard of the watch for {silence:.0f} s. {MAYBE_ON}")
        if alarms.open:  # a note that is left is the watch's own while it runs
            alarms.tick()
    alarms.raise_(KEY, "stop", "The watch has ended without a word", f"It was killed, or it crashed. {MAYBE_ON}")
    while any(not it.acknowledged for it in alarms.open):
        alarms.tick()
        clock.sleep_until(clock.now() + TICK)


def _tell(alarms: Alarms, silent: bool, words: str) -> None:
    if silent:
        alarms.raise_(KEY, "stop", "The watch answers no more", words)
    else:
        alarms.clear(KEY)


def _read(pipe: int, heard: SimpleQueue[bytes]) -> None:
    """Everything that comes; b"" at its end."""
    while words := os.read(pipe, 1024):
        heard.put(words)
    heard.put(b"")


def _next(heard: SimpleQueue[bytes]) -> bytes | None:
    """What was heard next; None if nothing in a while."""
    try:
        return heard.get(timeout=TICK)
    except Empty:
        return None
