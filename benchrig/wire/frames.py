"""Frames of serial meters out of a byte stream that may start anywhere and lose anything.

Rules of this module:
1. A frame counts only when its whole test passes. If it fails, one byte is dropped and the rest is looked at again,
   because the byte that breaks a frame may itself begin the next one.
2. Bytes may be cut anywhere; nothing is kept beyond one frame.
3. What is dropped is counted, never silent: `noise` in all, `noise_run` since the last good frame.

A framer finds frames; whether the newest one is fresh is the port's business (`links.frame_port`).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol


class Framer(Protocol):
    """What a port needs of a framer."""

    noise_run: int

    def feed(self, data: bytes) -> list[bytes]:
        """Take bytes as they came; give the frames they complete, in order."""
        ...

    def clear(self) -> None:
        """Forget the frame begun."""
        ...


class FixedFrames:
    """Frames of a fixed length.

    valid  whole test of a candidate of `length` bytes: sync nibbles, terminators, what the grammar fixes
    """

    def __init__(self, length: int, valid: Callable[[bytes], bool]) -> None:
        self._length = length
        self._valid = valid
        self._buffer = b""
        self.noise = 0
        self.noise_run = 0

    def feed(self, data: bytes) -> list[bytes]:
        buffer = self._buffer + data
        frames: list[bytes] = []
        at = 0
        while at + self._length <= len(buffer):
            candidate = buffer[at : at + self._length]
            if self._valid(candidate):
                frames.append(candidate)
                at += self._length
                self.noise_run = 0
            else:
                at += 1
                self._drop(1)
        self._buffer = buffer[at:]
        return frames

    def clear(self) -> None:
        self._drop(len(self._buffer))
        self._buffer = b""

    def _drop(self, count: int) -> None:
        self.noise += count
        self.noise_run += count


class LineFrames:
    """Frames that end with a terminator, which is not part of them. Empty ones are skipped.

    A run longer than `limit` is noise: its bytes are dropped and counted up to the next terminator.
    """

    def __init__(self, terminator: bytes = b"\r", *, limit: int = 256) -> None:
        self._terminator = terminator
        self._limit = limit
        self._buffer = b""
        self._overrun = False
        self.noise = 0
        self.noise_run = 0

    def feed(self, data: bytes) -> list[bytes]:
        *whole, rest = (self._buffer + data).split(self._terminator)
        frames: list[bytes] = []
        for piece in whole:
            if self._overrun or len(piece) > self._limit:
                self._drop(len(piece))
            elif piece:
                frames.append(piece)
                self.noise_run = 0
            self._overrun = False
        self._keep(rest)
        return frames

    def clear(self) -> None:
        self._drop(len(self._buffer))
        self._buffer = b""
        self._overrun = False

    def _keep(self, rest: bytes) -> None:
        """Keep an unfinished piece; of one too long only enough to see a terminator that is cut in two."""
        if len(rest) > self._limit:
            keep = len(self._terminator) - 1
            self._drop(len(rest) - keep)
            rest = rest[len(rest) - keep :]
            self._overrun = True
        self._buffer = rest

    def _drop(self, count: int) -> None:
        self.noise += count
        self.noise_run += count
