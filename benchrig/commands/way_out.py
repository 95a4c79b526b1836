"""One orderly way out: SIGTERM and SIGHUP become the same exception as Ctrl-C, so every `with` block is left."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import NoReturn


def _leave(number: int, frame: FrameType | None) -> NoReturn:
    raise KeyboardInterrupt


@contextmanager
def orderly() -> Iterator[None]:
    """Inside, a request to end from outside unwinds the program instead of cutting it off."""
    names = [name for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]
    as_found = {name: signal.signal(getattr(signal, name), _leave) for name in names}
    try:
        yield
    finally:
        for name, handler in as_found.items():
            signal.signal(getattr(signal, name), handler)
