"""No hazardous voltage without a hold point: what `benchrig watch`, which has none, refuses.

Rules kept here:
1. A target, a window or a reading beyond the limits of IEC 61010-1 for normal condition is refused with words, and an
   overload that lasts, which may be beyond them, too.
2. Of a scope every record is looked at from its lowest to its highest sample, whatever is measured on it.
"""

from __future__ import annotations

from typing import Any

from ..errors import Refused
from ..procedure.checks import AC_LIMIT, PEAK_LIMIT, hazardous_limit
from ..procedure.quantities import Measurement, ScopeSource
from ..readings import Flag, Reading
from ..session.ports import InstrumentSource
from ..session.scoping import span_volts
from ..signals.waveform import Waveform
from ..trim.types import Goal
from ..units import show

_OVERLOAD = 1.0  # s; a handheld that changes its range is done within


def limit_of(source: InstrumentSource) -> float | None:
    """Volts above which a value of `source` can hurt; None where it is no voltage."""
    if isinstance(source, ScopeSource) and source.measurement in (Measurement.RMS, Measurement.HUM):
        return AC_LIMIT
    return hazardous_limit(source)


def refuse_hazard(source: InstrumentSource, goal: Goal | None) -> None:
    """Raises Refused for a goal beyond what may be worked on without a hold point."""
    limit = limit_of(source)
    if limit is None or goal is None:
        return
    worst = max((goal.low, goal.high), key=abs)
    if abs(worst) > limit:
        raise _refusal(f"{show(worst, 'V')} is above {show(limit, 'V')} and can hurt.")


class Overloads:
    """Tells an overload that lasts from the one that a meter shows for a moment while it changes its range."""

    def __init__(self) -> None:
        self._since: float | None = None

    def lasts(self, reading: Reading) -> bool:
        if not reading.flags & Flag.OVERLOAD:
            self._since = None
            return False
        self._since = reading.time if self._since is None else self._since
        return reading.time - self._since >= _OVERLOAD


def check_reading(source: InstrumentSource, reading: Reading, overloads: Overloads) -> None:
    """Raises Refused for a reading that is, or may be, beyond what may be worked on without a hold point."""
    limit = limit_of(source)
    if limit is None:
        return
    if reading.value is not None and abs(reading.value) > limit:
        raise _refusal(f"The reading is {show(reading.value, 'V')}, above {show(limit, 'V')}: it can hurt.")
    if overloads.lasts(reading):
        raise _refusal("Overload: nobody knows how high it is.")


def _refusal(words: str) -> Refused:
    return Refused(
        f"{words} Hands away.",
        next_step="Make it safe, then use a procedure: it has hold points (benchrig run).",
    )


class HarmlessOnly:
    """A scope whose records are looked at before anything is made of them."""

    def __init__(self, scope: Any) -> None:
        self._scope = scope

    def fresh_capture(self, channel: int, deadline: float) -> Waveform:
        """Raises Refused for a record that reaches beyond the limit for peaks."""
        record: Waveform = self._scope.fresh_capture(channel, deadline)
        worst = max(span_volts(record), key=abs)
        if abs(worst) > PEAK_LIMIT:
            raise _refusal(f"The record reaches {show(worst, 'V')}, above {show(PEAK_LIMIT, 'V')}: it can hurt.")
        return record

    def __getattr__(self, name: str) -> Any:
        return getattr(self._scope, name)
