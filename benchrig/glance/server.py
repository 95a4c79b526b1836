"""Serves the glance page: a display for the session, a small web server for the viewers.

Rules it keeps. Read only: every route answers GET and nothing else. On loopback anybody on this machine may look; on
any other address each request needs the token. The session is never slowed: it folds the notice, raises a flag and
goes on; text is made once for all viewers, at most `PACE` times a second.
"""

from __future__ import annotations

import asyncio
import hmac
import ipaddress
import json
import secrets
import socket
import threading
from collections.abc import AsyncIterator, Awaitable, Callable
from importlib.resources import files
from types import TracebackType
from typing import Self

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route

from ..errors import FileError
from ..session.notices import Notice
from ..ui.jsonlines import as_data
from .state import Glance, fold

PACE = 20.0
_SECURITY = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
}
_TYPES = {"html": "text/html", "css": "text/css", "js": "text/javascript"}


def is_loopback(host: str) -> bool:
    """True for addresses that only this machine can reach."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


class GlancePage:
    """The page while it is served; a display of the session. Use as a context manager.

    host, port: where to listen; port 0 takes a free one. `address` is what to open, token included where one is
    needed. Raises FileError if the address cannot be used.
    """

    def __init__(self, host: str = "127.0.0.1", port: int = 0, token: str | None = None) -> None:
        self.token = "" if is_loopback(host) else token or secrets.token_urlsafe(16)
        self._local = is_loopback(host)
        self._state = Glance()
        self._version = 0
        self._lock = threading.Lock()
        self._text: tuple[int, bytes] = (-1, b"")
        self._loop: asyncio.AbstractEventLoop | None = None
        self._changed: asyncio.Event | None = None
        self._socket = _listen(host, port)
        bound = self._socket.getsockname()
        shown = f"[{bound[0]}]" if ":" in bound[0] else bound[0]
        self.address = f"http://{shown}:{bound[1]}/" + (f"?token={self.token}" if self.token else "")
        config = uvicorn.Config(
            self._app(), log_level="critical", lifespan="off", access_log=False, timeout_graceful_shutdown=1
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._serve, name="glance", daemon=True)
        self._ready = threading.Event()

    def show(self, notice: Notice) -> None:
        """Fold a notice in; returns at once."""
        with self._lock:
            self._state = fold(self._state, notice)
            self._version += 1
        if self._loop and self._changed and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._changed.set)

    def tick(self) -> None:
        """Nothing waits."""

    def close(self) -> None:
        """Stop serving; viewers see the connection end."""
        self._server.should_exit = True
        if self._thread.is_alive():
            self._thread.join(timeout=5)
        self._socket.close()

    def __enter__(self) -> Self:
        self._thread.start()
        self._ready.wait(10)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _serve(self) -> None:
        asyncio.run(self._main())

    async def _main(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._changed = asyncio.Event()
        self._ready.set()
        await self._server.serve(sockets=[self._socket])

    def _app(self) -> Starlette:
        assets = {"/": "page.html", "/glance.css": "glance.css", "/glance.js": "glance.js"}
        routes = [Route(path, self._asset(name), methods=["GET"]) for path, name in assets.items()]
        return Starlette(routes=[*routes, Route("/live", self._live, methods=["GET"])])

    def _refusal(self, request: Request) -> Response | None:
        """None if the viewer may look."""
        if self._local:
            # A page elsewhere could point a name of its own at 127.0.0.1; such a request carries that name.
            return None if is_loopback(request.url.hostname or "") else PlainTextResponse("Not this name.", 403)
        given = request.query_params.get("token", "")
        if not given:
            return PlainTextResponse("This page needs the token that was printed at the bench.", 401)
        return (
            None if hmac.compare_digest(given.encode(), self.token.encode()) else PlainTextResponse("Wrong token.", 403)
        )

    def _asset(self, name: str) -> Callable[[Request], Awaitable[Response]]:
        text = (files(__package__) / name).read_text(encoding="utf-8")
        media = _TYPES[name.rpartition(".")[2]]

        async def answer(request: Request) -> Response:
            query = f"?token={self.token}" if self.token else ""
            page = text.replace("{{token}}", query)
            return self._refusal(request) or Response(page, media_type=media, headers=_SECURITY)

        return answer

    async def _live(self, request: Request) -> Response:
        refused = self._refusal(request)
        return refused or StreamingResponse(self._events(), media_type="text/event-stream", headers=_SECURITY)

    async def _events(self) -> AsyncIterator[bytes]:
        sent = -1
        while not self._server.should_exit:
            version, text = self._now()
            if version != sent:
                sent = version
                yield text
                await asyncio.sleep(1.0 / PACE)
            elif not await self._change():
                yield b"event: beat\ndata: .\n\n"

    async def _change(self) -> bool:
        """True when something changed, False after a quiet second."""
        assert self._changed is not None
        self._changed.clear()
        if self._version != self._text[0]:
            return True
        try:
            await asyncio.wait_for(self._changed.wait(), 1.0)
        except TimeoutError:
            return False
        return True

    def _now(self) -> tuple[int, bytes]:
        with self._lock:
            version, state = self._version, self._state
        if self._text[0] != version:
            self._text = (version, b"data: " + json.dumps(_page_data(state)).encode() + b"\n\n")
        return self._text


def _page_data(state: Glance) -> dict[str, object]:
    data = {name: as_data(getattr(state, name)) for name in Glance.__slots__ if name not in {"lost", "trends", "units"}}
    return {**data, "lost": dict(state.lost), "trends": dict(state.trends), "units": dict(state.units)}


def _listen(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((host, port))
        listening.listen(128)
    except (OSError, OverflowError) as error:
        listening.close()
        raise FileError(
            f"The glance page cannot listen at {host} port {port}: {error}.",
            next_step="Choose another port, or an address of this machine.",
        ) from error
    return listening
