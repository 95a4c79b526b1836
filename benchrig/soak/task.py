"""What a soak is to watch, for the engine: channels, armed scopes, phases. Base units throughout."""

from __future__ import annotations

from dataclasses import dataclass

from ..procedure.quantities import Limits, MeterSource, ScopeSource


@dataclass(frozen=True, slots=True)
class SoakChannel:
    """One value watched during a soak, `interval` seconds apart.

    The preferred window warns, the acceptable one stops the soak, and so does the ceiling.

    away   seconds for which it may be without a usable reading before somebody is called
    drift  unit per second that it may change by; None: any
    over   seconds over which that is judged
    """

    name: str
    source: MeterSource | ScopeSource
    limits: Limits
    interval: float = 1.0
    away: float = 60.0
    drift: float | None = None
    over: float = 1800.0


@dataclass(frozen=True, slots=True)
class Catch:
    """A scope armed on a point, so that a dip shorter than a reading is caught. Level in volts at the tip.

    falling   the trigger's slope
    duration  seconds of the record that is kept, a tenth of it before the trigger
    """

    name: str
    source: ScopeSource
    level: float
    falling: bool = True
    duration: float = 0.2


@dataclass(frozen=True, slots=True)
class PowerCycle:
    """Seconds for which the unit is on, then off, again and again."""

    on: float
    off: float


@dataclass(frozen=True, slots=True)
class SoakTask:
    """One watch.

    duration      seconds
    warm_up       seconds in which values may still move into their windows
    until_stable  ends as soon as every channel that has a drift keeps to it, at the latest after `duration`
    false_alarms  how many dips and steps may be reported by chance in the whole watch
    hazard        that is declared, so that more than may be touched is no breach; None: none is
    """

    duration: float
    channels: tuple[SoakChannel, ...]
    catches: tuple[Catch, ...] = ()
    warm_up: float = 0.0
    until_stable: bool = False
    false_alarms: float = 0.1
    cycle: PowerCycle | None = None
    hazard: str | None = None
