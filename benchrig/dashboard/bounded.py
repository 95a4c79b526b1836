"""Connections that cannot exhaust the page: uvicorn's protocol on h11, with bounds of its own.

Rules it keeps:
1. A connection that has sent no whole request has `HEADER` seconds for it, at its beginning and after each answer.
2. Of those there are at most `MOST_WAITING`: one more drives out the one that has waited longest. So neither idle
   connections nor half-sent requests lock a viewer out, who sends the request at once.
3. A viewer who reads nothing for `STALLED` seconds is let go.
"""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

HEADER = 5.0  # s for a whole request
MOST_WAITING = 100  # connections without one
BACKLOG = 50  # connections that are accepted in one turn of the loop; fewer than may wait
STALLED = 30.0  # s without room for what is to be sent


class BoundedProtocol(H11Protocol):
    """One connection. `waiting`: those of the same page that have sent no whole request, oldest first."""

    def __init__(self, *arguments: Any, waiting: dict[BoundedProtocol, asyncio.TimerHandle], **more: Any) -> None:
        super().__init__(*arguments, **more)
        self._waiting = waiting
        self._stalled: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._wait()
        if len(self._waiting) > MOST_WAITING:
            next(iter(self._waiting))._let_go()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self.cycle is not None and not self.cycle.response_complete:
            self._served()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        if not self.transport.is_closing():
            self._wait()

    def pause_writing(self) -> None:
        super().pause_writing()
        self._stalled = self.loop.call_later(STALLED, self._let_go)

    def resume_writing(self) -> None:
        super().resume_writing()
        self._moving()

    def connection_lost(self, exc: Exception | None) -> None:
        self._served()
        self._moving()
        super().connection_lost(exc)

    def _wait(self) -> None:
        self._served()
        self._waiting[self] = self.loop.call_later(HEADER, self._let_go)

    def _served(self) -> None:
        timer = self._waiting.pop(self, None)
        if timer is not None:
            timer.cancel()

    def _moving(self) -> None:
        if self._stalled is not None:
            self._stalled.cancel()
            self._stalled = None

    def _let_go(self) -> None:
        self._served()
        self.transport.abort()
