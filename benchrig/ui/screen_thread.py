"""A live screen drawn by a thread of its own, so that a slow terminal never holds up the readings.

Rules it keeps:
- `show` and `tick` return at once, whatever the terminal does.
- Lines are all drawn, in order. Of the pictures of a gauge only the newest is: a terminal behind a slow line skips
  pictures instead of falling behind.
- A question waits until everything before it is on the screen. Only this thread touches the screen.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable

from ..session import notices as n
from .live_screen import FRAME, LiveScreen

PATIENCE = 10.0  # s that a question, or the end, waits for a terminal that takes nothing
LOOK = 0.1  # s between looks whether the drawing has ended meanwhile
Act = Callable[[], None]


class Painter:
    """`terminal.Screen` over a `LiveScreen`."""

    def __init__(self, screen: LiveScreen) -> None:
        self._screen = screen
        self._acts: deque[n.Notice | Act] = deque()
        self._changed = threading.Condition()
        self._closed = False
        self._trouble: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="paint", daemon=True)
        self._thread.start()

    def show(self, notice: n.Notice) -> None:
        """Raises what ended the drawing, such as a terminal that has gone."""
        if not isinstance(notice, n.ReadingTaken):
            self._put(notice)

    def tick(self) -> None:
        """The thread keeps its own time."""

    def say(self, words: str, style: str = "") -> None:
        self._put(lambda: self._screen.say(words, style))
        self._drain()

    def fill(self) -> None:
        self._put(self._screen.fill)

    def suspend(self) -> None:
        self._put(self._screen.suspend)
        self._drain()

    def close(self) -> None:
        """Take the gauge off and end the thread. Safe to call twice."""
        with self._changed:
            if self._closed:
                return
            self._acts.append(self._screen.close)
            self._closed = True
            self._changed.notify()
        self._thread.join(PATIENCE)

    def _put(self, act: n.Notice | Act) -> None:
        with self._changed:
            if self._trouble is not None:
                raise self._trouble
            if self._closed:
                return
            if self._acts and _is_picture(act) and _is_picture(self._acts[-1]):
                self._acts.pop()
            self._acts.append(act)
            self._changed.notify()

    def _drain(self) -> None:
        """Wait until what was put so far is on the screen."""
        done = threading.Event()
        self._put(done.set)
        for _ in range(round(PATIENCE / LOOK)):
            if done.wait(LOOK) or self._trouble is not None:
                return

    def _run(self) -> None:
        try:
            while (act := self._next()) is not None:
                if callable(act):
                    act()
                else:
                    self._screen.show(act)
        except BaseException as error:  # handed to whoever shows the next notice, who is the one to know
            with self._changed:
                self._trouble = error

    def _next(self) -> n.Notice | Act | None:
        """What to draw next, None at the end; meanwhile a picture that had to wait for its time is drawn."""
        while True:
            with self._changed:
                if not self._acts and not self._closed:
                    self._changed.wait(FRAME if self._screen.waiting else None)
                if self._acts:
                    return self._acts.popleft()
                if self._closed:
                    return None
            self._screen.tick()


def _is_picture(act: n.Notice | Act) -> bool:
    return isinstance(act, n.TrimMoved | n.SoakMoved)
