"""Serves the dashboard: a display for the session, a small web server for the viewers.

Rules it keeps. Read only: every route answers GET and nothing else. On loopback anybody on this machine may look; on
any other address each request needs the token. The session is never slowed: it folds the notice, raises a flag and
goes on; what the viewers get is made once for all of them (see `broadcast`). Connections are bounded (see `bounded`).
"""

from __future__ import annotations

import asyncio
import hmac
import ipaddress
import secrets
import socket
import threading
from collections.abc import Awaitable, Callable
from functools import partial
from importlib.resources import files
from types import TracebackType
from typing import Any, Self
from urllib.parse import quote

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route

from ..clock import Clock, RealClock
from ..errors import FileError
from ..metrics import CONTENT_TYPE, Metrics
from ..session import notices as n
from ..ui.display import Display
from .bounded import BACKLOG, MOST_WAITING, BoundedProtocol
from .broadcast import Crowd
from .page import page_data
from .state import Dashboard, fold
from .trends import Trends

MOST_VIEWERS = 300  # who are served at once; who comes later is told to try again
QUEUE = 1000  # connections that wait to be accepted
SHORTEST_TOKEN = 8  # letters
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


class DashboardPage(Display):
    """The page while it is served; a display of the session. Use as a context manager.

    host, port: where to listen; port 0 takes a free one. `address` is what to open, token included where one is
    needed. Raises FileError if the address or the token cannot be used.
    """

    def __init__(
        self, host: str = "127.0.0.1", port: int = 0, token: str | None = None, clock: Clock | None = None
    ) -> None:
        self.token = "" if is_loopback(host) else _checked(token) or secrets.token_urlsafe(16)
        self._query = f"?token={quote(self.token, safe='')}" if self.token else ""
        self._local = is_loopback(host)
        self._clock = clock or RealClock()
        self._state = Dashboard()
        self._trends = Trends()
        self._metrics = Metrics()
        self._lock = threading.Lock()
        self._crowd: Crowd | None = None
        self._socket = _listen(host, port)
        bound = self._socket.getsockname()
        name = _of_this_machine(bound[0])
        shown = f"[{name}]" if ":" in name else name
        self.address = f"http://{shown}:{bound[1]}/{self._query}"
        config = uvicorn.Config(
            self._app(), log_level="critical", lifespan="off", access_log=False, timeout_graceful_shutdown=1,
            limit_concurrency=MOST_VIEWERS + MOST_WAITING, backlog=BACKLOG,
            http=partial(BoundedProtocol, waiting={}),  # type: ignore[arg-type]
        )  # fmt: skip
        self._server = _Server(config)
        self._thread = threading.Thread(target=self._serve, name="dashboard", daemon=True)
        self._ready = threading.Event()

    def show(self, notice: n.Notice) -> None:
        """Fold a notice in; returns at once."""
        with self._lock:
            self._state = fold(self._state, notice)
            self._trends.take(notice)
            self._metrics.take(notice, self._clock.now())
        if self._crowd:
            self._crowd.stir()

    def trace(self, channel: str, unit: str, time: float, least: float, greatest: float) -> None:
        """Add to a trend what was read before anybody looked; `time` in seconds of any clock that only goes on."""
        with self._lock:
            self._trends.trace(channel, unit, time, least, greatest)

    def close(self) -> None:
        """Stop serving; viewers see the connection end."""
        self._server.should_exit = True
        if self._crowd:
            self._crowd.end()
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
        self._crowd = Crowd(self._everything, self._news)
        self._ready.set()
        making = asyncio.create_task(self._crowd.run())
        await self._server.serve(sockets=[self._socket])
        self._crowd.end()
        await making

    def _everything(self) -> dict[str, Any]:
        with self._lock:
            state, trends = self._state, self._trends.all()
        return {"page": page_data(state), "trends": trends, "whole": True}

    def _news(self) -> dict[str, Any]:
        with self._lock:
            state, anew, trends = self._state, self._trends.anew, self._trends.news()
        return {"page": page_data(state), "trends": trends, "whole": anew}

    # routes

    def _app(self) -> Starlette:
        assets = {"/": "page.html", "/dashboard.css": "dashboard.css", "/dashboard.js": "dashboard.js"}
        answers = {path: self._asset(name) for path, name in assets.items()}
        answers |= {"/live": self._live, "/metrics": self._measured}
        return Starlette(routes=[Route(path, answer, methods=["GET"]) for path, answer in answers.items()])

    def _refusal(self, request: Request) -> Response | None:
        """None if the viewer may look."""
        if self._local:
            # A page elsewhere could point a name of its own at 127.0.0.1; such a request carries that name.
            return None if is_loopback(request.url.hostname or "") else _refused("Not this name.", 403)
        bearer = request.headers.get("Authorization", "").removeprefix("Bearer ")
        given = request.query_params.get("token", "") or bearer
        if not given:
            return _refused("This page needs the token that was printed at the bench.", 401)
        right = hmac.compare_digest(given.encode(), self.token.encode())
        return None if right else _refused("Wrong token.", 403)

    def _asset(self, name: str) -> Callable[[Request], Awaitable[Response]]:
        text = (files(__package__) / name).read_text(encoding="utf-8")
        media = _TYPES[name.rpartition(".")[2]]

        async def answer(request: Request) -> Response:
            page = text.replace("{{token}}", self._query)
            return self._refusal(request) or Response(page, media_type=media, headers=_SECURITY)

        return answer

    async def _live(self, request: Request) -> Response:
        assert self._crowd is not None
        refused = self._refusal(request)
        return refused or StreamingResponse(self._crowd.watch(), media_type="text/event-stream", headers=_SECURITY)

    async def _measured(self, request: Request) -> Response:
        if refused := self._refusal(request):
            return refused
        with self._lock:
            measured = self._metrics.copy()
        try:
            text = measured.text(self._clock.now())
        except FileError as error:
            return PlainTextResponse(str(error), 501)
        return Response(text, media_type=CONTENT_TYPE, headers=_SECURITY)


class _Server(uvicorn.Server):
    """Accepts few connections in one turn of its loop, as `bounded` needs it; more of them wait in the kernel."""

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        for listening in sockets or ():
            listening.listen(QUEUE)


def _refused(words: str, status: int) -> Response:
    return PlainTextResponse(words, status, headers=_SECURITY)


def _of_this_machine(bound: str) -> str:
    """What a viewer can open where we listen at `bound`: for "all addresses" the one that leads out of here."""
    if not ipaddress.ip_address(bound).is_unspecified:
        return bound
    family, outside = (socket.AF_INET6, "2001:db8::1") if ":" in bound else (socket.AF_INET, "192.0.2.1")
    try:
        with socket.socket(family, socket.SOCK_DGRAM) as probe:
            probe.connect((outside, 9))  # an address for documentation (RFC 5737, RFC 3849); nothing is sent
            return str(probe.getsockname()[0])
    except OSError:
        return socket.gethostname()


def _checked(token: str | None) -> str:
    if token and len(token) < SHORTEST_TOKEN:
        raise FileError(
            f"A token of {len(token)} letters is soon guessed.",
            next_step=f"Give {SHORTEST_TOKEN} or more, or none: a long one is made up then.",
        )
    return token or ""


def _listen(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((host, port))
        listening.listen(BACKLOG)
    except (OSError, OverflowError) as error:
        listening.close()
        words = getattr(error, "strerror", None) or str(error).rstrip(".")
        raise FileError(
            f"The dashboard cannot listen at {host} port {port}: {words}.",
            next_step="Choose another port, or an address of this machine.",
        ) from error
    return listening
