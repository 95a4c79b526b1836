"""Keeps in the record what a page in another process needs and nobody else writes down: alarms, and how a watch stands.

A display like others; it goes before those that show. Trouble with the record holds up no alarm: the session tells of
that itself.
"""

from __future__ import annotations

import contextlib

from ..clock import Clock
from ..records.facts import Store, StoreError
from ..session import notices as n
from ..ui.display import Display
from ..ui.jsonlines import as_data

PACE = 1.0  # s, the least time between two entries of how a watch stands
_ALARMS = (n.AlarmRaised, n.AlarmCleared, n.AlarmAcknowledged)


class Book(Display):
    """A display that writes events: each alarm notice, and a watch whenever the state of it or of a channel changes."""

    def __init__(self, store: Store, clock: Clock) -> None:
        self._store = store
        self._clock = clock
        self._stood: object = None
        self._written = -PACE

    def show(self, notice: n.Notice) -> None:
        if isinstance(notice, _ALARMS):
            self._write(notice)
        elif isinstance(notice, n.SoakMoved):
            self._watch(notice)
        elif isinstance(notice, n.StepStarted):
            self._stood = None

    def _watch(self, notice: n.SoakMoved) -> None:
        stands = (notice.state, [(it.name, it.state) for it in notice.channels])
        now = self._clock.now()
        if stands != self._stood and now - self._written >= PACE:
            self._stood, self._written = stands, now
            self._write(notice)

    def _write(self, notice: n.Notice) -> None:
        with contextlib.suppress(StoreError):
            self._store.event(None, notice.kind, as_data(notice), self._clock.now(), self._clock.stamp())

    def close(self) -> None:
        """The store is closed by whoever opened it."""
