"""What the viewers are sent, and how often: words made once for all of them, few enough not to be felt at the bench.

A viewer gets everything at its first message, then only what has changed. Who reads too slowly gets everything again.
Messages are Server-Sent Events (WHATWG HTML, section 9.2).
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections import deque
from collections.abc import AsyncIterator, Callable
from typing import Any

FASTEST = 20.0  # messages a second to each viewer
SENDS = 150.0  # a second, to all viewers together
SLOWEST = 4.0  # messages a second to each viewer, however many they are
KEPT = 40  # messages that a slow viewer may be behind
BEAT = 1.0  # s; a quiet bench is heard of at least so often


class Crowd:
    """All viewers. Lives in one event loop; `stir` may be called from any thread.

    whole: everything, as plain data.  news: what has changed since it was asked the last time.
    """

    def __init__(self, whole: Callable[[], dict[str, Any]], news: Callable[[], dict[str, Any]]) -> None:
        self._whole = whole
        self._news = news
        self._messages: deque[bytes] = deque(maxlen=KEPT)
        self._last = 0  # number of the newest message
        self._everything = (-1, b"")
        self._stale = True  # something has changed since `everything` was made
        self._viewers = 0
        self._stirred = asyncio.Event()
        self._next = asyncio.Event()
        self._loop = asyncio.get_running_loop()
        self._ending = False  # make the last message
        self._ended = False  # it is made

    @property
    def pace(self) -> float:
        """Messages a second to each viewer."""
        return max(SLOWEST, min(FASTEST, SENDS / max(1, self._viewers)))

    def stir(self) -> None:
        """Something has changed. Returns at once."""
        self._stale = True
        if self._viewers and not self._stirred.is_set():
            with contextlib.suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._stirred.set)

    async def run(self) -> None:
        """Make messages for whoever looks. The last one is made at the end, and says how that came."""
        while not self._ending:
            try:
                await asyncio.wait_for(self._stirred.wait(), BEAT)
            except TimeoutError:
                self._send(b"event: beat\ndata: .\n\n")
                continue
            self._stirred.clear()
            self._send(_event(self._news()))
            await asyncio.sleep(1.0 / self.pace)
        self._ended = True
        self._send(_event(self._news()))

    def end(self) -> None:
        """Tell all viewers how things stand, and let them go."""
        self._ending = True
        with contextlib.suppress(RuntimeError):  # the loop has ended, and everybody has gone
            self._loop.call_soon_threadsafe(self._stirred.set)

    def _send(self, message: bytes) -> None:
        self._messages.append(message)
        self._last += 1
        self._next.set()
        self._next = asyncio.Event()

    async def watch(self) -> AsyncIterator[bytes]:
        """The messages for one viewer, to the last."""
        self._viewers += 1
        try:
            seen = -1
            while not (self._ended and seen == self._last):
                if seen == self._last:
                    await self._next.wait()
                    continue
                text, seen = self._since(seen), self._last
                yield text
        finally:
            self._viewers -= 1

    def _since(self, seen: int) -> bytes:
        missed = self._last - seen
        if seen < 0 or missed > len(self._messages):
            if self._stale or self._everything[0] != self._last:
                self._stale = False
                self._everything = (self._last, _event(self._whole()))
            return self._everything[1]
        return b"".join(list(self._messages)[-missed:])


def _event(data: dict[str, Any]) -> bytes:
    return b"data: " + json.dumps(data, separators=(",", ":")).encode() + b"\n\n"
