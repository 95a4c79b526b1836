"""Bad cables and sick instruments, round any double; and the log of every byte that reached it.

Rules kept here: each fault is a call and may be given a moment (`at`, clock seconds); a fault due in the past
happens at the next look; nothing sleeps; the same seed spoils the same bits. The log of received bytes is taken
before any fault, because its use is to prove what was sent to an instrument, and when.
"""

from __future__ import annotations

import heapq
import itertools
import random
from collections import deque
from collections.abc import Callable

from benchrig.clock import Clock

from .interfaces import Double

LOGGED = 50_000  # received pieces remembered per cable: some megabytes, hours of a job


class Cable:
    """A `Double` that passes another one's bytes on, as well as its faults allow."""

    def __init__(self, double: Double, clock: Clock, seed: int = 0) -> None:
        self.double = double
        self.received: deque[tuple[float, bytes]] = deque(maxlen=LOGGED)
        self.heard = 0  # pieces received in all; more than `received` holds once the oldest were let go
        self.clock = clock
        self._random = random.Random(seed)
        self._out = False
        self._frozen_until = float("-inf")
        self._kept: list[bytes] = []  # came in while frozen: the port's own buffer holds them
        self._spoilers: deque[Callable[[bytes], bytes]] = deque()
        self._delays: deque[float] = deque()
        self._late: deque[tuple[float, bytes]] = deque()
        self._agenda: list[tuple[float, int, Callable[[float], None]]] = []
        self._order = itertools.count()

    # The seam of a double.

    @property
    def plugged(self) -> bool:
        self._run_agenda()
        return not self._out and self.double.plugged

    @plugged.setter
    def plugged(self, value: bool) -> None:
        self.plug() if value else self.unplug()

    def receive(self, data: bytes) -> None:
        """Log and pass on; into the void while unplugged, kept while frozen."""
        self._run_agenda()
        if self._out:
            return
        now = self.clock.now()
        self.received.append((now, data))
        self.heard += 1
        if now < self._frozen_until:
            self._kept.append(data)
        else:
            self._thaw()
            self.double.receive(data)

    def due(self) -> float | None:
        """The next moment at which there may be something to do."""
        self._run_agenda()
        moments = [self._agenda[0][0]] if self._agenda else []
        if not self._out:
            inner = self.double.due()
            if inner is not None:
                moments.append(max(inner, self._frozen_until))
            if self._kept:
                moments.append(self._frozen_until)
            if self._late:
                moments.append(self._late[0][0])
        return min(moments, default=None)

    def take(self) -> bytes:
        """What comes out at the host's end now."""
        self._run_agenda()
        now = self.clock.now()
        if self._out:
            return b""
        if now >= self._frozen_until:
            self._thaw()
            self._pass(self.double.take(), now)
        ready = []
        while self._late and self._late[0][0] <= now:
            ready.append(self._late.popleft()[1])
        return b"".join(ready)

    def clear(self) -> None:
        """A device clear: what is under way is lost, and the instrument empties its buffers."""
        self._late.clear()
        self._kept.clear()
        empty = getattr(self.double, "device_clear", None)
        if empty is not None:
            empty()

    # The faults.

    def at(self, when: float | None, work: Callable[[float], None]) -> None:
        """Have `work(moment)` done when the clock has passed `when`; at once for None.

        `moment` is the planned one, even where nobody looks until later.
        """
        now = self.clock.now()
        if when is None or when <= now:
            work(now if when is None else when)
        else:
            heapq.heappush(self._agenda, (when, next(self._order), work))

    def unplug(self, *, at: float | None = None, seconds: float | None = None) -> None:
        """Pull the cable; put it back `seconds` later if given. Bytes under way are lost."""
        self.at(at, lambda moment: self._unplug_now(moment, seconds))

    def plug(self, *, at: float | None = None) -> None:
        """Put the cable back."""
        self.at(at, lambda moment: self._plug_now())

    def garble(self, answers: int = 1, *, at: float | None = None) -> None:
        """Flip bits in the next answers."""
        self.at(at, lambda moment: self._spoilers.extend([self._flip] * answers))

    def truncate(self, keep: int = 3, *, at: float | None = None) -> None:
        """Cut the next answer down to its first `keep` bytes."""
        self.at(at, lambda moment: self._spoilers.append(lambda data: data[:keep]))

    def drop(self, answers: int = 1, *, at: float | None = None) -> None:
        """Lose the next answers."""
        self.at(at, lambda moment: self._spoilers.extend([lambda data: b""] * answers))

    def delay(self, seconds: float, answers: int = 1, *, at: float | None = None) -> None:
        """Let the next answers come `seconds` late; the order of bytes is kept."""
        self.at(at, lambda moment: self._delays.extend([seconds] * answers))

    def freeze(self, seconds: float, *, at: float | None = None) -> None:
        """The instrument hangs: it answers nothing, and reads what was sent meanwhile only afterwards."""
        self.at(at, lambda moment: self._freeze_now(moment + seconds))

    def brown_out(self, seconds: float = 0.5, *, at: float | None = None) -> None:
        """The instrument's supply dips: it forgets its settings and is away for `seconds` while it boots."""
        self.at(at, lambda moment: self._brown_out_now(moment + seconds))

    def impostor(self, identity: str, *, at: float | None = None) -> None:
        """Another instrument answers here from now on: `identity` is its answer to `*IDN?`."""
        self.at(at, lambda moment: setattr(self.double, "identity", identity))

    def _unplug_now(self, moment: float, seconds: float | None) -> None:
        self._out = True
        self._late.clear()
        self._kept.clear()
        self.double.take()
        if seconds is not None:
            self.plug(at=moment + seconds)

    def _plug_now(self) -> None:
        self.double.take()  # whatever it said to nobody
        self._out = False

    def _freeze_now(self, until: float) -> None:
        self._frozen_until = max(self._frozen_until, until)

    def _brown_out_now(self, until: float) -> None:
        self._late.clear()
        self._kept.clear()
        self.double.take()
        reset = getattr(self.double, "reset", None)
        if reset is not None:
            reset()
        self._freeze_now(until)

    def _flip(self, data: bytes) -> bytes:
        spoiled = bytearray(data)
        for _ in range(1 + len(spoiled) // 16):
            spoiled[self._random.randrange(len(spoiled))] ^= 1 << self._random.randrange(8)
        return bytes(spoiled) if bytes(spoiled) != data else bytes([data[0] ^ 1]) + data[1:]

    def _pass(self, data: bytes, now: float) -> None:
        if not data:
            return
        spoiled = self._spoilers.popleft()(data) if self._spoilers else data
        late = self._delays.popleft() if self._delays else 0.0
        if not spoiled:
            return
        earliest = self._late[-1][0] if self._late else now
        self._late.append((max(now + late, earliest), spoiled))

    def _thaw(self) -> None:
        kept, self._kept = self._kept, []
        for data in kept:
            self.double.receive(data)

    def _run_agenda(self) -> None:
        now = self.clock.now()
        while self._agenda and self._agenda[0][0] <= now:
            moment, _, work = heapq.heappop(self._agenda)
            work(moment)
