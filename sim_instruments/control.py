"""The back door of a served bench: hands, faults, truth and wire logs, one JSON line each way.

Rules kept here: loopback only, and nothing is answered before the secret of this run was given; a request names one
public method of the hands or one of the bench's own verbs and is answered in order; a bad request gets a reason
and harms nothing. The instruments' own cables know nothing of this door.

Asked: {"do": "turn", "with": ["RV41", 2.5]}. Answered: {"ok": 2.5} or {"error": "..."}.
"""

from __future__ import annotations

import hmac
import json
import math
import selectors
import socket
import threading
from collections.abc import Callable, Sequence
from typing import Any

from benchrig.errors import FileError

from .outlets import Watcher
from .world import World

_LONGEST = 65_536  # bytes of one request


class ControlRefused(FileError):
    """The bench would not do it, as there is no such thing on it; the text says why."""


def bench_verbs(world: World, addresses: Callable[[], list[dict[str, str]]]) -> dict[str, Callable[..., Any]]:
    """What can be asked of a bench besides its hands."""

    def cable(name: str, fault: str, *settings: float, at: float | None = None) -> None:
        allowed = ("unplug", "plug", "garble", "truncate", "drop", "delay", "freeze", "brown_out", "impostor")
        if fault not in allowed:
            raise ControlRefused(f"There is no cable fault {fault!r}. There are: {', '.join(allowed)}.")
        if fault == "unplug":
            world.double(name).unplug(seconds=settings[0] if settings else None, at=at)
        else:
            getattr(world.double(name), fault)(*settings, at=at)

    def wire_log(name: str) -> list[tuple[float, str]]:
        return [(when, data.decode("latin-1")) for when, data in world.wire_log(name)]

    return {
        "addresses": addresses,
        "truth": world.truth,
        "truths": lambda: {name: law() for name, law in world.truths.items()},
        "cable": cable,
        "wire_log": wire_log,
        "now": world.clock.now,
    }


def answer(line: bytes, hands: Any, verbs: dict[str, Callable[..., Any]]) -> bytes:
    """One request line to one answer line; never raises."""
    try:
        request = json.loads(line)
        verb, values, named = request["do"], request.get("with", []), request.get("named", {})
        if verb.startswith("_"):
            raise ControlRefused(f"There is no {verb!r}.")
        found = verbs[verb] if verb in verbs else getattr(hands, verb)
        result = found(*values, **named) if callable(found) else found
        return _line({"ok": _plain(result)})
    except Exception as error:  # whatever a caller sends, the bench goes on
        return _line({"error": str(error) if isinstance(error, FileError) else f"{type(error).__name__}: {error}"})


def _plain(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return {"float": str(value)}
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [_plain(item) for item in value]
    return value


def _line(value: object) -> bytes:
    return json.dumps(value, allow_nan=False, default=str).encode() + b"\n"


class ControlOutlet:
    """The listening end, in the event loop of the bench."""

    name = "control"
    kind = "control"

    def __init__(self, hands: Any, verbs: dict[str, Callable[..., Any]], secret: str, watcher: Watcher) -> None:
        self._hands = hands
        self._verbs = verbs
        self._secret = secret
        self._watcher = watcher
        self._trusted: dict[int, bool] = {}
        self._partial: dict[int, bytes] = {}
        self._clients: dict[int, socket.socket] = {}
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.setblocking(False)
        self._watcher.want(self._listener.fileno(), selectors.EVENT_READ, self._accept)

    @property
    def address(self) -> str:
        return f"127.0.0.1:{self._listener.getsockname()[1]}"

    def service(self, now: float) -> None:
        """Everything happens when a request comes."""

    def wait(self, now: float) -> float | None:
        return None

    def close(self) -> None:
        for fd in list(self._clients):
            self._drop(fd)
        self._watcher.forget(self._listener.fileno())
        self._listener.close()

    def _accept(self, events: int) -> None:
        try:
            client, _ = self._listener.accept()
        except OSError:
            return
        client.settimeout(1.0)  # answers are small; one who does not read them is dropped
        fd = client.fileno()
        self._clients[fd], self._trusted[fd], self._partial[fd] = client, False, b""
        self._watcher.want(fd, selectors.EVENT_READ, lambda events: self._read(fd))

    def _read(self, fd: int) -> None:
        try:
            data = self._clients[fd].recv(_LONGEST)
        except OSError:
            data = b""
        if not data:
            self._drop(fd)
            return
        *lines, self._partial[fd] = (self._partial[fd] + data).split(b"\n")
        if len(self._partial[fd]) > _LONGEST:
            self._drop(fd)
            return
        for line in lines:
            if fd in self._clients:
                self._serve(fd, line)

    def _serve(self, fd: int, line: bytes) -> None:
        if not self._trusted[fd]:
            self._trusted[fd] = hmac.compare_digest(line.strip(), self._secret.encode())
            if not self._trusted[fd]:
                self._drop(fd)
            return
        try:
            self._clients[fd].sendall(answer(line, self._hands, self._verbs))
        except OSError:
            self._drop(fd)

    def _drop(self, fd: int) -> None:
        self._watcher.forget(fd)
        self._clients.pop(fd).close()
        del self._trusted[fd], self._partial[fd]


class RemoteHands:
    """The hands of a bench in another process: the same methods as the local hands, and the bench's own verbs.

    Safe to use from several threads; each call waits for its answer. Raises Refused with the bench's reason, and
    ConnectionError once the bench is gone.
    """

    def __init__(self, address: str, secret: str, timeout: float = 10.0) -> None:
        host, _, port = address.rpartition(":")
        self._lock = threading.Lock()
        self._socket = socket.create_connection((host, int(port)), timeout=timeout)
        self._file = self._socket.makefile("rb")
        self._socket.sendall(secret.encode() + b"\n")

    def ask(self, verb: str, *values: Any, **named: Any) -> Any:
        """Have `verb` done and return its result."""
        request = _line({"do": verb, "with": _plain(values), "named": _plain(named)})
        with self._lock:
            line = self._exchange(request)
        if not line:
            raise ConnectionError("The simulated bench is gone, or the secret was wrong.")
        reply = json.loads(line)
        if "error" in reply:
            raise ControlRefused(reply["error"])
        return _back(reply["ok"])

    def _exchange(self, request: bytes) -> bytes:
        """One line out, one line back. Trouble shuts the door: a late answer would pass for the next one."""
        try:
            self._socket.sendall(request)
            return self._file.readline()
        except (OSError, ValueError):
            self.close()
            return b""

    def __getattr__(self, verb: str) -> Callable[..., Any]:
        if verb.startswith("_"):
            raise AttributeError(verb)
        return lambda *values, **named: self.ask(verb, *values, **named)

    @property
    def incidents(self) -> Sequence[str]:
        """Acts that would have hurt somebody."""
        found: Sequence[str] = self.ask("incidents")
        return found

    def truth(self, name: str) -> float:
        """The true value of `name` now."""
        return float(self.ask("truth", name))

    def wire_log(self, name: str) -> list[tuple[float, bytes]]:
        """(clock time, bytes) of everything the instrument called `name` received."""
        return [(float(when), data.encode("latin-1")) for when, data in self.ask("wire_log", name)]

    def close(self) -> None:
        self._file.close()
        self._socket.close()


def _back(value: Any) -> Any:
    if isinstance(value, dict) and set(value) == {"float"}:
        return float(value["float"])
    return value
