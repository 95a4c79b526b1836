"""The newest frame of a meter that talks by itself, and how old it can be.

Rules of this module:
1. Everything that waits in the port is drained before a frame is handed out, and only the newest frame counts.
2. A frame that was already waiting is as old as the last look at the port, at worst. Where that is longer ago than
   `keep`, frames found waiting are dropped and the next one is awaited: an operating system's queue keeps the oldest
   bytes when it is full (4096 bytes hold 98 s of a meter with 14-byte frames three times a second), so the
   newest frame of a long backlog may be a minute old.
3. Noise without a frame is an error that says so, not an endless wait.
"""

from __future__ import annotations

from dataclasses import dataclass

from ..clock import Clock
from ..errors import FrameError, LinkTimeout
from ..wire.frames import Framer
from .base import Link

NOISE_LIMIT = 512  # bytes without one good frame: some 30 frames of any of these meters
_NOT_SILENT = 32  # bytes without one good frame, and then no more time: two frames of any of them, so one was whole
_DRAIN_LIMIT = 1000  # reads; so that a port that never stops pouring cannot hold us


@dataclass(frozen=True, slots=True)
class Stamped:
    """A frame, the clock time at which its last byte was seen, and by how many seconds that may have been late."""

    frame: bytes
    time: float
    late: float


class FramePort:
    """Newest frame first.

    keep  seconds since the last look beyond which waiting bytes are too old to date: one usual interval
    """

    def __init__(self, link: Link, clock: Clock, framer: Framer, *, keep: float = 1.0) -> None:
        self.link = link
        self.clock = clock
        self._framer = framer
        self._keep = keep
        self._looked = clock.now()
        self._heard = b""  # the newest bytes, for an error's words

    def write(self, data: bytes) -> None:
        """For meters that are polled."""
        self.link.write(data)

    def newest(self, deadline: float) -> Stamped:
        """The newest frame not handed out before, waiting until `deadline` for one.

        Raises LinkTimeout on silence, FrameError where bytes come but are not this grammar, LinkLost.
        """
        found = self._waiting()
        while found is None:
            data = self.link.read(deadline)
            self._looked = self.clock.now()
            if not data and self._looked >= deadline:
                self._refuse_noise(_NOT_SILENT)
                raise LinkTimeout(
                    f"{self.link.address}: no frame came in time.",
                    address=self.link.address,
                    doing="waiting for a frame",
                    next_step="Check that the meter is on, its output is switched on, and the lead sits well.",
                )
            found = self._take(data, 0.0)
        return self._waiting() or found

    def _waiting(self) -> Stamped | None:
        """Drain what is there; the newest datable frame of it.

        Beyond `keep` the frame begun is dropped too: its second half may belong to another one, and no grammar here
        has a checksum that would tell.
        """
        gap = self.clock.now() - self._looked
        newest = None
        for _ in range(_DRAIN_LIMIT):
            data = self.link.read(self.clock.now())
            if not data:
                break
            if gap <= self._keep:
                newest = self._take(data, gap) or newest
        if gap > self._keep:
            self._framer.clear()
        self._looked = self.clock.now()
        return newest

    def _take(self, data: bytes, late: float) -> Stamped | None:
        frames = self._framer.feed(data)
        self._heard = data[-_NOT_SILENT:] or self._heard
        self._refuse_noise(NOISE_LIMIT)
        return Stamped(frames[-1], self.clock.now(), late) if frames else None

    def _refuse_noise(self, limit: int) -> None:
        """Another meter's frames, or another speed's, are no silence: the cure is another."""
        if self._framer.noise_run > limit:
            self._framer.clear()
            self._framer.noise_run = 0
            raise FrameError(
                f"{self.link.address}: bytes come, but no frame of this meter's grammar.", frame=self._heard
            )
