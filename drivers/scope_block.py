"""A block as the codes of a record, and its progress told in samples."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from benchrig.errors import FrameError

Progress = Callable[[int, int], None]


def in_samples(progress: Progress | None, width: int) -> Progress | None:
    """Progress of a block, in bytes, told in samples of `width` bytes."""
    return None if progress is None else lambda done, total: progress(done // width, total // width)


def codes(block: bytes | memoryview, dtype: str | np.dtype[np.generic]) -> NDArray[np.generic]:
    """The codes of a block, shape (n,), not copied. Raises FrameError where the last one is not whole."""
    kind = np.dtype(dtype)
    if len(block) % kind.itemsize:
        raise FrameError(f"{len(block)} bytes are no whole codes of {kind.itemsize}.")
    return np.frombuffer(block, dtype=kind)
