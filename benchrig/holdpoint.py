"""The hold point: between a person and a dangerous voltage stands a typed sentence, and nothing goes around it.

Rules it keeps:
1. Only this module can mint an `Acknowledgement`, and whoever reads a hazardous point must hand a live one in. One that
   was made, copied or pickled elsewhere is dead. (Python cannot stop malice; this stops mistakes, and the type checker
   helps.)
2. An acknowledgement is for one step, one unit, one operator, a limited time. It is gone on leaving the step, a pause,
   a lost link, a clock that jumped (which is also how a suspended machine shows), a reading above the ceiling, and a
   reading that says that the probe is off.
3. A point that has been live stays out of bounds for hands until it was made safe; the reading that shows it needs an
   acknowledgement too.
4. Nobody absent can acknowledge, and one who acts for a person only where every instrument is a double.

The machine behind it is in `benchrig.holdmachine`. This is an aid: lethal voltages stay lethal, and local rules and
licensed practice come first.
"""

from __future__ import annotations

import enum
from typing import NoReturn, Protocol, final
from weakref import WeakSet

from .clock import Clock
from .errors import Refused
from .holdmachine import (
    HANDS_MAY_GO_IN,
    LAPSES,
    READABLE,
    Event,
    Exposure,
    Happened,
    HoldMove,
    HoldPhase,
    HoldState,
    HoldTick,
    Mint,
    Moment,
    Person,
    PointSeen,
    Reached,
    Typed,
    outlived,
    step,
)

__all__ = ["LAPSES", "Acknowledgement", "Exposure", "HoldMove", "HoldPhase", "HoldPoint", "Purpose"]


class Purpose(enum.StrEnum):
    """What an acknowledgement lets its holder do."""

    WORK = "work"
    CHECK = "check"  # only look whether the point is off


_SEAL = object()
_LIVE: WeakSet[Acknowledgement] = WeakSet()


@final
class Acknowledgement:
    """Leave to read one hazardous point, in one step, for a while. Minted by `HoldPoint` and by nothing else."""

    __slots__ = ("__weakref__", "exposure", "granted", "purpose")

    def __init__(self, seal: object, exposure: Exposure, granted: Moment, purpose: Purpose) -> None:
        if seal is not _SEAL:
            raise TypeError("An acknowledgement is minted by a hold point, never made.")
        self.exposure = exposure
        self.granted = granted
        self.purpose = purpose

    def __reduce_ex__(self, protocol: object) -> NoReturn:
        raise TypeError("An acknowledgement cannot be copied or kept.")

    def __copy__(self) -> NoReturn:
        raise TypeError("An acknowledgement cannot be copied.")

    def __deepcopy__(self, memo: object) -> NoReturn:
        raise TypeError("An acknowledgement cannot be copied.")

    def __init_subclass__(cls) -> NoReturn:
        raise TypeError("There is only one kind of acknowledgement.")

    def require(self, hazard: str, step: str, at: Moment, purpose: Purpose = Purpose.WORK) -> None:
        """Return only if this one is live for `purpose` in `step` and `hazard` at `at`; raises Refused."""
        if self not in _LIVE:
            raise Refused("This acknowledgement is no longer valid.", next_step="Acknowledge the hold point again.")
        exposure = self.exposure
        if (exposure.hazard, exposure.step) != (hazard, step):
            raise Refused(
                f"The acknowledgement is for step {exposure.step!r} and {exposure.hazard!r}, not for {step!r}.",
                next_step="Each hazardous step is acknowledged by itself.",
            )
        if purpose is not self.purpose:
            raise Refused(
                f"The acknowledgement is to {self.purpose}, not to {purpose}.",
                next_step="Make the point safe, or acknowledge the hold point again.",
            )
        if over := outlived(exposure, self.granted, at):
            raise Refused(f"The acknowledgement has ended: {over[1]}.", next_step="Acknowledge the hold point again.")


class AllDoubles(Protocol):
    """A bench, as far as the hold point asks it."""

    def all_doubles(self) -> bool:
        """True if every instrument of the bench is simulated."""
        ...


class HoldPoint:
    """Runs the machine for one hazard through a whole job, and keeps its one acknowledgement."""

    def __init__(self, clock: Clock, bench: AllDoubles) -> None:
        self._clock = clock
        self._bench = bench
        self._state = HoldState()
        self._acknowledgement: Acknowledgement | None = None

    @property
    def phase(self) -> HoldPhase:
        return self._state.phase

    @property
    def reason(self) -> str:
        """Of the last lapse or refusal."""
        return self._state.reason

    @property
    def hands_may_go_in(self) -> bool:
        return self.phase in HANDS_MAY_GO_IN

    @property
    def acknowledgement(self) -> Acknowledgement | None:
        """The live one, or None. Looks at the clock first."""
        self._step(HoldTick(self.moment()))
        return self._acknowledgement

    def moment(self) -> Moment:
        return Moment(self._clock.now(), self._clock.stamp())

    def reach(self, exposure: Exposure) -> None:
        """A step that exposes the point begins; any earlier step is left."""
        if self.phase in READABLE:
            self.lapse(HoldMove.LEFT)
        self._step(Reached(exposure, self.moment()))

    def answer(self, words: str | None, *, name: str, attended: bool, acts_for_person: bool) -> HoldPhase:
        """What the operator typed. Returns the phase after it: still asking, readable, or refused."""
        person = Person(name, attended, acts_for_person, self._bench.all_doubles())
        self._step(Typed(words, person, self.moment()))
        return self.phase

    def lapse(self, move: HoldMove) -> None:
        """One of `LAPSES` happened."""
        self._step(Happened(move, self.moment()))

    def ask_off(self) -> None:
        """Make-safe begins: the step is left, and off and discharged are to be reported."""
        self.lapse(HoldMove.LEFT)
        self._step(Happened(HoldMove.MAKE_SAFE, self.moment()))

    def see(self, value: float | None, overload: bool) -> HoldPhase:
        """A reading of the point itself."""
        self._step(PointSeen(value, overload, self.moment()))
        return self.phase

    def _step(self, event: Event) -> None:
        self._state, effects = step(self._state, event)
        for effect in effects:
            if isinstance(effect, Mint):
                self._mint(event.at)
            else:
                self._revoke()

    def _mint(self, at: Moment) -> None:
        assert self._state.exposure is not None
        purpose = Purpose.CHECK if self.phase is HoldPhase.CHECKING else Purpose.WORK
        self._acknowledgement = Acknowledgement(_SEAL, self._state.exposure, at, purpose)
        _LIVE.add(self._acknowledgement)

    def _revoke(self) -> None:
        assert self._acknowledgement is not None  # what is revoked was minted
        _LIVE.discard(self._acknowledgement)
        self._acknowledgement = None
