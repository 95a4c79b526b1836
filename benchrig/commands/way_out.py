"""One orderly way out: SIGTERM and SIGHUP become the same exception as Ctrl-C, so every `with` block is left.

Only the first of them: a terminal that closes may send SIGHUP twice, and the second must not cut short the making safe
and the closing of the record that the first has begun. Ctrl-C still can.
"""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import NoReturn

_NAMES = tuple(name for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name))


def _leave(number: int, frame: FrameType | None) -> NoReturn:
    for name in _NAMES:
        signal.signal(getattr(signal, name), signal.SIG_IGN)
    raise KeyboardInterrupt


@contextmanager
def orderly() -> Iterator[None]:
    """Inside, a request to end from outside unwinds the program instead of cutting it off."""
    as_found = {name: signal.signal(getattr(signal, name), _leave) for name in _NAMES}
    try:
        yield
    finally:
        for name, handler in as_found.items():
            signal.signal(getattr(signal, name), handler)
