"""The page in a process of its own, and the display that feeds it: whatever viewers do, the guard of a unit shares
neither descriptors nor an interpreter with them.

Rules it keeps:
1. The guarding process listens nowhere. It starts the page, hands it notices through a pipe, and waits for nothing.
2. A page that has ended, hangs or falls behind is given up and that is said once; the job goes on without it.
3. A guarding process that ends without a word is told of on the page before that closes.
"""

from __future__ import annotations

import contextlib
import json
import pickle
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from queue import Full, Queue
from typing import IO, Any, Self

from ..errors import FileError
from ..session.notices import Notice, Said

MOST = 20_000  # notices that may wait; then the page hangs
CLOSING = 8.0  # s for the last words to reach the viewers
GONE = "The program at the bench has ended without a word. The unit may still be on, and nobody watches it."


class PageBeside:
    """A display: the page while another process serves it. Use as a context manager.

    host, port as `DashboardPage` takes them; `warn` is told, from another thread, that the page is there no more.
    Raises FileError where it cannot be served. `address` is what to open.
    """

    def __init__(self, host: str, port: int, warn: Callable[[str], None]) -> None:
        self._warn = warn
        self._process = subprocess.Popen(
            [sys.executable, "-m", "benchrig.dashboard.beside", host, str(port)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, start_new_session=True,
        )  # fmt: skip
        self.address = self._answer()
        self._waiting: Queue[Notice | None] = Queue(MOST)
        self._given_up = False
        self._thread = threading.Thread(target=self._send, name="page", daemon=True)
        self._thread.start()

    @property
    def process(self) -> int:
        """The number of the process that serves the page."""
        return self._process.pid

    def show(self, notice: Notice) -> None:
        """Hand a notice on; returns at once."""
        if self._given_up:
            return
        try:
            self._waiting.put_nowait(notice)
        except Full:
            self._give_up()

    def tick(self) -> None:
        """Nothing waits for this."""

    def close(self) -> None:
        """The last words go to the viewers, and the page ends."""
        with contextlib.suppress(Full):
            self._waiting.put_nowait(None)
        try:
            self._process.wait(CLOSING)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._thread.join(1.0)
        for pipe in (self._process.stdin, self._process.stdout):
            with contextlib.suppress(OSError):
                _there(pipe).close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exception: object) -> None:
        self.close()

    def _answer(self) -> str:
        """Where it is served."""
        said = json.loads(_there(self._process.stdout).readline() or "{}")
        if "address" in said:
            return str(said["address"])
        self._process.wait()
        raise FileError(said.get("error", "The page did not start."), next_step=said.get("cure", "Leave it out."))

    def _send(self) -> None:
        pipe = _there(self._process.stdin)
        try:
            while True:
                notice = self._waiting.get()
                pickle.dump(notice, pipe)
                if self._waiting.empty() or notice is None:
                    pipe.flush()
                if notice is None:
                    return
        except OSError:
            self._give_up()

    def _give_up(self) -> None:
        if not self._given_up:
            self._given_up = True
            self._process.kill()
            self._warn("The page beside the job has ended; the job goes on. `benchrig dashboard` serves another one.")


def _there(pipe: IO[bytes] | None) -> IO[bytes]:
    assert pipe is not None  # asked for as it was started
    return pipe


def serve(host: str, port: int, notices: IO[bytes], answer: Callable[[dict[str, str]], None]) -> None:
    """The process: tells where it serves, or why it cannot, and shows the notices until the last of them."""
    try:
        from .server import DashboardPage

        page = DashboardPage(host, port)
    except ImportError as error:
        answer({"error": f"The page needs {error.name}.", "cure": "pip install 'benchrig[dashboard]'"})
        return
    except FileError as error:
        answer({"error": error.message, "cure": error.next_step})
        return
    with page:
        answer({"address": page.address})
        for notice in _notices(notices):
            page.show(notice)


def _notices(pipe: IO[bytes]) -> Any:
    """All that come; where they end without a word, that."""
    while True:
        try:
            notice = pickle.load(pipe)  # from the process that started this one, and from nobody else
        except (EOFError, pickle.UnpicklingError, OSError):
            yield Said("", GONE, "alarm")
            return
        if notice is None:
            return
        yield notice


def main() -> None:
    """Host and port are its words."""
    for name in ("SIGINT", "SIGHUP"):  # of the terminal: the guard decides when it is over
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)

    def answer(facts: dict[str, str]) -> None:
        print(json.dumps(facts), flush=True)

    serve(sys.argv[1], int(sys.argv[2]), sys.stdin.buffer, answer)


if __name__ == "__main__":
    main()
