"""The machine of a hold point, pure: events in, a new state and effects out. `benchrig.holdpoint` runs it.

Rules it keeps:
1. Every move is in `TRANSITIONS`, one table. A move that is not in it is an error of the program and raises.
2. All effects follow from which phase was left and which was entered.
3. The time is looked at before anything else that an event says.
4. Once a point has been live it is taken for live until power is off, the discharge is reported in words, and readings
   have stayed below the limit. Only then may hands go in.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime

from .units import show

ATTEMPTS = 3  # wrong sentences before it counts as a refusal
CLOCK_SLACK = 2.0  # s by which wall time and monotonic time may part before the clock counts as jumped
NOTHING = 0.01  # a hazardous point below this part of what is expected reads as nothing: probe off, or power gone
GRACE = 20.0  # s after the acknowledgement in which the point may still be nothing, because power comes on
BELOW_FOR = 3.0  # s for which a point must stay below its limit
BELOW_READINGS = 3  # and readings in that time


class HoldPhase(enum.StrEnum):
    """Where a hazardous point stands."""

    SHUT = "shut"  # nobody has let it be live, or it was made safe: hands may go in
    ASKED = "asked"
    LIVE = "live"  # acknowledged: it may be read
    LAPSED = "lapsed"  # taken for live, and no acknowledgement: no reading, no hands
    ASKED_AGAIN = "asked again"
    ASKED_OFF = "asked off"  # power off and discharge are to be reported
    CHECKING = "checking"  # reported off: it may be read, to see it below the limit


class HoldMove(enum.StrEnum):
    """What moves a hold point."""

    REACHED = "reached"
    RIGHT_WORDS = "right words"
    WRONG_WORDS = "wrong words"
    DECLINED = "declined"
    LEFT = "left"
    PAUSED = "paused"
    LINK_LOST = "link lost"
    CLOCK_JUMPED = "clock jumped"
    EXPIRED = "expired"
    ABOVE_CEILING = "above ceiling"
    PROBE_OFF = "probe off"
    MAKE_SAFE = "make safe"
    BELOW_LIMIT = "below limit"


LAPSES = (
    HoldMove.LEFT, HoldMove.PAUSED, HoldMove.LINK_LOST, HoldMove.CLOCK_JUMPED, HoldMove.EXPIRED,
    HoldMove.ABOVE_CEILING, HoldMove.PROBE_OFF,
)  # fmt: skip


def _lapses(phase: HoldPhase, after: HoldPhase) -> dict[tuple[HoldPhase, HoldMove], HoldPhase]:
    return {(phase, move): after for move in LAPSES}


TRANSITIONS: Mapping[tuple[HoldPhase, HoldMove], HoldPhase] = {
    **_lapses(HoldPhase.SHUT, HoldPhase.SHUT),
    (HoldPhase.SHUT, HoldMove.REACHED): HoldPhase.ASKED,
    **_lapses(HoldPhase.ASKED, HoldPhase.SHUT),
    (HoldPhase.ASKED, HoldMove.RIGHT_WORDS): HoldPhase.LIVE,
    (HoldPhase.ASKED, HoldMove.WRONG_WORDS): HoldPhase.ASKED,
    (HoldPhase.ASKED, HoldMove.DECLINED): HoldPhase.SHUT,
    **_lapses(HoldPhase.LIVE, HoldPhase.LAPSED),
    **_lapses(HoldPhase.LAPSED, HoldPhase.LAPSED),
    (HoldPhase.LAPSED, HoldMove.REACHED): HoldPhase.ASKED_AGAIN,
    (HoldPhase.LAPSED, HoldMove.MAKE_SAFE): HoldPhase.ASKED_OFF,
    **_lapses(HoldPhase.ASKED_AGAIN, HoldPhase.LAPSED),
    (HoldPhase.ASKED_AGAIN, HoldMove.RIGHT_WORDS): HoldPhase.LIVE,
    (HoldPhase.ASKED_AGAIN, HoldMove.WRONG_WORDS): HoldPhase.ASKED_AGAIN,
    (HoldPhase.ASKED_AGAIN, HoldMove.DECLINED): HoldPhase.LAPSED,
    **_lapses(HoldPhase.ASKED_OFF, HoldPhase.LAPSED),
    (HoldPhase.ASKED_OFF, HoldMove.RIGHT_WORDS): HoldPhase.CHECKING,
    (HoldPhase.ASKED_OFF, HoldMove.WRONG_WORDS): HoldPhase.ASKED_OFF,
    (HoldPhase.ASKED_OFF, HoldMove.DECLINED): HoldPhase.LAPSED,
    **_lapses(HoldPhase.CHECKING, HoldPhase.LAPSED),
    (HoldPhase.CHECKING, HoldMove.BELOW_LIMIT): HoldPhase.SHUT,
}

READABLE = frozenset({HoldPhase.LIVE, HoldPhase.CHECKING})
HANDS_MAY_GO_IN = frozenset({HoldPhase.SHUT, HoldPhase.ASKED})
ASKING = frozenset({HoldPhase.ASKED, HoldPhase.ASKED_AGAIN, HoldPhase.ASKED_OFF})


@dataclass(frozen=True, slots=True)
class Moment:
    """One moment on both clocks."""

    now: float
    stamp: datetime

    def jumped_since(self, before: Moment) -> bool:
        """True if wall time and monotonic time do not agree about how long it was.

        Linux's monotonic clock stands still while the machine is suspended and wall time does not.
        """
        wall = (self.stamp - before.stamp).total_seconds()
        return self.now < before.now or abs(wall - (self.now - before.now)) > CLOCK_SLACK


@dataclass(frozen=True, slots=True)
class Exposure:
    """One hazardous point in one step of one job. Volts; `valid` in seconds."""

    hazard: str
    step: str
    unit_serial: str
    operator: str
    test_point: str
    expected: float
    ceiling: float | None = None
    limit: float = 42.4
    valid: float = 900.0

    @property
    def phrase(self) -> str:
        """What must be typed before the point is read."""
        return f"{self.test_point} is live at {show(self.expected, 'V', digits=3)}"

    @property
    def off_phrase(self) -> str:
        """What must be typed before the point is looked at to see that it is off."""
        return f"{self.test_point} is off and discharged, probe still on"


@dataclass(frozen=True, slots=True)
class Person:
    """Who answers. `at_doubles`: every instrument of the bench is simulated, as the bench itself says."""

    name: str
    attended: bool
    acts_for_person: bool
    at_doubles: bool

    def refusal(self, exposure: Exposure) -> str:
        """Why this one cannot acknowledge; empty if they can."""
        if not self.attended:
            return "nobody is at the bench"
        if self.acts_for_person and not self.at_doubles:
            return "one who acts for a person cannot acknowledge at real instruments"
        if self.name != exposure.operator:
            return f"asked of {exposure.operator}, answered by {self.name}"
        return ""


@dataclass(frozen=True, slots=True)
class Reached:
    """A hazardous step begins."""

    exposure: Exposure
    at: Moment


@dataclass(frozen=True, slots=True)
class Typed:
    """An answer, word for word; None is a refusal."""

    words: str | None
    person: Person
    at: Moment


@dataclass(frozen=True, slots=True)
class PointSeen:
    """A reading of the point itself, in volts; `value` None with `overload` True is more than can be shown."""

    value: float | None
    overload: bool
    at: Moment


@dataclass(frozen=True, slots=True)
class Happened:
    """A move that carries nothing else: the step was left, paused, the link lost, make-safe begins."""

    move: HoldMove
    at: Moment


@dataclass(frozen=True, slots=True)
class HoldTick:
    at: Moment


Event = Reached | Typed | PointSeen | Happened | HoldTick


@dataclass(frozen=True, slots=True)
class HoldState:
    """All that a hold point knows."""

    phase: HoldPhase = HoldPhase.SHUT
    exposure: Exposure | None = None
    granted: Moment | None = None
    wrong: int = 0
    something: bool = False  # a voltage was seen since the acknowledgement
    below: tuple[float, ...] = ()  # times of the readings below the limit, in a row
    reason: str = ""  # of the last lapse or refusal


@dataclass(frozen=True, slots=True)
class Mint:
    """An acknowledgement is due."""


@dataclass(frozen=True, slots=True)
class Revoke:
    """The acknowledgement is gone."""

    reason: str


Effect = Mint | Revoke


def step(state: HoldState, event: Event) -> tuple[HoldState, tuple[Effect, ...]]:
    """One event. Raises RuntimeError for a move that is not in the table; the state is then as it was."""
    move, reason = _move(state, event)
    if move is None:
        return _noted(state, event), ()
    phase = TRANSITIONS.get((state.phase, move))
    if phase is None:
        raise RuntimeError(f"A hold point that is {state.phase} cannot take {move!r}.")
    return _entered(state, phase, move, event, reason), _effects(state.phase, phase, reason)


def _effects(before: HoldPhase, phase: HoldPhase, reason: str) -> tuple[Effect, ...]:
    """No move leads from one readable phase to another: a test reads that off the table."""
    if before in READABLE:
        return (Revoke(reason),)
    return (Mint(),) if phase in READABLE else ()


def _entered(state: HoldState, phase: HoldPhase, move: HoldMove, event: Event, reason: str) -> HoldState:
    """A phase begins with nothing of the one before but its exposure, and the count of wrong sentences in a row."""
    return HoldState(
        phase=phase,
        exposure=event.exposure if isinstance(event, Reached) else state.exposure,
        granted=event.at if phase in READABLE else None,
        wrong=state.wrong + 1 if move is HoldMove.WRONG_WORDS else 0,
        reason=reason,
    )


def _noted(state: HoldState, event: Event) -> HoldState:
    """What a reading leaves behind."""
    if not isinstance(event, PointSeen) or state.exposure is None or state.phase not in READABLE:
        return state
    exposure = state.exposure
    if event.overload or event.value is None:
        return replace(state, something=state.something or event.overload, below=())
    there = state.something or not reads_nothing(exposure, event.value)
    low = abs(event.value) < exposure.limit
    return replace(state, something=there, below=(*state.below, event.at.now) if low else ())


def reads_nothing(exposure: Exposure, value: float) -> bool:
    """True if the reading is so far below what is expected that the probe may be off."""
    return abs(value) < NOTHING * abs(exposure.expected)


def _move(state: HoldState, event: Event) -> tuple[HoldMove | None, str]:
    """The move that an event makes, with the reason in words. Time is looked at before anything else."""
    if late := _time_move(state, event.at):
        return late
    match event:
        case HoldTick():
            return None, ""
        case Reached():
            return HoldMove.REACHED, ""
        case Happened(move, _):
            return move, str(move)
        case Typed():
            return _words_move(state, event)
    return _seen_move(state, event)


def _time_move(state: HoldState, at: Moment) -> tuple[HoldMove, str] | None:
    if state.phase not in READABLE or state.granted is None or state.exposure is None:
        return None
    return outlived(state.exposure, state.granted, at)


def outlived(exposure: Exposure, granted: Moment, at: Moment) -> tuple[HoldMove, str] | None:
    """The move by which an acknowledgement of `granted` has ended by itself; None if it is still good."""
    if at.jumped_since(granted):
        return HoldMove.CLOCK_JUMPED, "the clock jumped, or the machine slept"
    if at.now - granted.now > exposure.valid:
        return HoldMove.EXPIRED, f"older than {exposure.valid:.0f} s"
    return None


def _words_move(state: HoldState, event: Typed) -> tuple[HoldMove, str]:
    if state.exposure is None or state.phase not in ASKING:
        raise RuntimeError(f"A hold point that is {state.phase} was not asking.")
    if refusal := event.person.refusal(state.exposure):
        return HoldMove.DECLINED, refusal
    if event.words is None:
        return HoldMove.DECLINED, "refused"
    wanted = state.exposure.off_phrase if state.phase is HoldPhase.ASKED_OFF else state.exposure.phrase
    if folded(event.words) == folded(wanted):
        return HoldMove.RIGHT_WORDS, ""
    if state.wrong + 1 >= ATTEMPTS:
        return HoldMove.DECLINED, f"{ATTEMPTS} times other words than asked for"
    return HoldMove.WRONG_WORDS, f'typed "{event.words}"'


def folded(words: str) -> str:
    """Words without what a typist does not mean: letter case and the number of spaces."""
    return " ".join(words.split()).casefold()


def _seen_move(state: HoldState, event: PointSeen) -> tuple[HoldMove | None, str]:
    exposure = state.exposure
    if exposure is None or state.phase not in READABLE:
        return None, ""
    ceiling = exposure.ceiling
    if ceiling is not None and (event.overload or (event.value is not None and abs(event.value) > ceiling)):
        shown = "more than can be shown" if event.value is None or event.overload else show(event.value, "V")
        return HoldMove.ABOVE_CEILING, f"{exposure.test_point} at {shown}, ceiling {show(ceiling, 'V')}"
    if event.value is None:
        return None, ""
    return _probe_off(state, exposure, event) if state.phase is HoldPhase.LIVE else _below(state, event)


def _probe_off(state: HoldState, exposure: Exposure, event: PointSeen) -> tuple[HoldMove | None, str]:
    assert event.value is not None
    assert state.granted is not None
    expected_by_now = state.something or event.at.now - state.granted.now > GRACE
    if expected_by_now and reads_nothing(exposure, event.value):
        return HoldMove.PROBE_OFF, f"{exposure.test_point} reads {show(event.value, 'V')}: probe off, or power gone"
    return None, ""


def _below(state: HoldState, event: PointSeen) -> tuple[HoldMove | None, str]:
    times = _noted(state, event).below
    if len(times) >= BELOW_READINGS and times[-1] - times[0] >= BELOW_FOR:
        return HoldMove.BELOW_LIMIT, "seen below the limit"
    return None, ""
