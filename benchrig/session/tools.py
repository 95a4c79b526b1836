"""What a session needs of an opened bench, and no more. `benchrig.session.bench_tools` fills it from a bench file.

A feed gives one thing at a time and says honestly when the instrument is away. Nothing is sent to an instrument
before a feed on it is opened.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from ..events import LinkDown, LinkUp
from ..procedure.quantities import Limits, MeterSource, ScopeSource
from ..readings import Reading
from ..records.facts import InstrumentFacts
from ..soak.task import Catch, SoakChannel

if TYPE_CHECKING:
    from ..instruments import Function
    from ..signals.waveform import Waveform
    from ..soak.findings import Columns

InstrumentSource = MeterSource | ScopeSource


Item = Reading | LinkDown | LinkUp


@dataclass(frozen=True, slots=True)
class Taken:
    """A reading of a channel that is listened to."""

    channel: str
    reading: Reading


@dataclass(frozen=True, slots=True)
class Many:
    """Readings of a channel all at once, from an instrument with a memory of its own.

    No driver here has one; the session's own speed is measured with them (`benchmarks/soak_days.py`).
    """

    channel: str
    columns: Columns
    unit: str


@dataclass(frozen=True, slots=True)
class Caught:
    """An armed scope has triggered at `time` (clock seconds, when it was seen)."""

    name: str
    wave: Waveform
    time: float


@dataclass(frozen=True, slots=True)
class Dead:
    """An instrument that cannot be used any more."""

    instrument: str
    reason: str


Heard = Taken | Many | Caught | LinkDown | LinkUp | Dead


class Listener(Protocol):
    """Several sources at once, for as long as it takes."""

    def poll(self, until: float) -> Sequence[Heard]:
        """What was heard until then, in order for each instrument. Raises Refused."""
        ...

    def close(self) -> None:
        """Stop listening. Never raises."""
        ...


class Feed(Protocol):
    """Readings of one source, at the probe tip, corrected and with their uncertainty."""

    def next(self, deadline: float) -> Item | None:
        """The next thing that happened; None if nothing did before `deadline`."""
        ...

    def waveform(self, deadline: float) -> Waveform | None:
        """A whole record, where the source is a scope's; None if none came before `deadline`."""
        ...

    def close(self) -> None:
        """Leave the instrument quiet. Never raises."""
        ...


class PowerSwitch(Protocol):
    """What switches the unit's power: of a supply, the part that a session uses. May raise what any instrument may."""

    def set_output(self, on: bool) -> None: ...

    def output_is_on(self) -> bool: ...

    def measure(self, function: Function, deadline: float) -> Reading:
        """What is at the terminals."""
        ...


class Tools(Protocol):
    """An opened bench."""

    @property
    def name(self) -> str: ...

    @property
    def supply(self) -> PowerSwitch | None:
        """What can switch the unit's power; None where only a hand can."""
        ...

    def all_doubles(self) -> bool:
        """True if every instrument of the bench is simulated."""
        ...

    def feed(self, source: InstrumentSource, limits: Limits | None, guard: Callable[[], None] | None = None) -> Feed:
        """Set the instrument up for `source`; `limits` say how large the value is expected.

        `guard` is called before each touch of the instrument, whoever's thread that is, and raises to forbid it.
        """
        ...

    def listen(
        self, channels: Sequence[SoakChannel], catches: Sequence[Catch], guard: Callable[[], None] | None = None
    ) -> Listener:
        """Read all channels at their intervals and arm all catches; `guard` as for a feed."""
        ...

    def facts(self) -> Sequence[InstrumentFacts]:
        """Instruments as far as they are known by now."""
        ...

    def traffic(self) -> Mapping[str, str]:
        """What went over the links of the instruments in use lately, as text, by name."""
        ...


class Bell(Protocol):
    """Calls for help. `benchrig.alarms.Alarms` is one."""

    def raise_(self, key: str, severity: Any, title: str, words: str = "", *, channel: str = "") -> None:
        """Something is wrong; `severity` "warning" or "stop"; the same trouble has the same key."""
        ...

    def louder(self, key: str, title: str, words: str = "") -> None:
        """What should have made the unit safe has failed."""
        ...

    def clear(self, key: str) -> None:
        """It is well again."""
        ...

    def acknowledge(self, key: str | None = None, by: str = "") -> int:
        """The operator acknowledges it, or everything where `key` is None; returns how many."""
        ...

    def tick(self) -> None:
        """Call often."""
        ...
