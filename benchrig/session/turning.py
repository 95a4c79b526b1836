"""Guiding a hand on one trimmer until the trim engine accepts the value, or the person types one that is inside.

Rules kept here:
- A setting is accepted by the trim engine, or for typed values by the typed value itself; never by a key.
- Which way raises the reading is seen from the way that was said and the one in which it went, or told by the person;
  it is remembered for that trimmer.
- A stated part of a turn that is asked for is told, and so recorded, once for each asking.
- The gauge is told of every reading, and ten times a second of what time alone has changed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

from .. import trim
from ..procedure.quantities import Axis, ScopeSource, Source, TypedSource
from ..procedure.step import HandStep, Step
from ..readings import Reading
from ..trim.counted import words as words_of_turn
from ..trim.engine import learned
from ..trim.shown import restless
from ..trim.state import Phase
from ..trim.types import (
    Accepted,
    Cue,
    Goal,
    Known,
    LinkDown,
    LinkUp,
    Measured,
    Restart,
    Tick,
    TrimEvent,
    TrimView,
    Turned,
    Way,
)
from ..units import show
from .notices import Notice, TrimMoved, TurnAdvised
from .ports import InstrumentSource, Item
from .remembering import remember
from .typed import typed_value
from .verdicts import Value, value_of
from .work import Work

LONGEST = 1800.0  # s that one trim may take before it is given up
STALE = 1.5  # s of age at which a reading is no longer the present value
KEPT = 1000  # readings, of which the last are the accepted ones


def goal_of(axis: Axis, step: HandStep, pace: float = 0.0, *, counted: bool | None = None) -> Goal:
    """The trim engine's goal. The reader has seen to it that both edges are there.

    pace     seconds from reading to reading: what is stale for a fast meter is the present value for a slow one
    counted  turned by stated parts of a turn; None: where the readings cannot be followed with the hand
    """
    limits = axis.limits
    assert limits.low is not None
    assert limits.high is not None
    return Goal(
        axis.target, limits.low, limits.high, limits.unit, step.hold, step.settle, limits.ceiling, axis.span,
        axis.trimmer.travel, stale_after=max(STALE, 2.5 * pace), counted=counted,
    )  # fmt: skip


def quantity_of(source: Source) -> str:
    """What is read, in a word or two: "high time", "dc voltage"; nothing for what a person types."""
    match source:
        case TypedSource():
            return ""
        case ScopeSource():
            return source.measurement.value
        case _:
            return source.function.value


def turn_watched(
    work: Work, axis: Axis, goal: Goal, source: InstrumentSource, longest: float = LONGEST
) -> Value | None:
    """Cues for the hand at every reading, until the value is accepted; None if that does not come to pass."""
    key = (axis.trimmer.name, quantity_of(source))
    state = trim.start(goal, work.clock.now(), work.services.known.get(key))
    until = work.clock.now() + longest
    taken: list[Reading] = []
    gauge = Gauge(work.tell, work.step.id, axis.trimmer.name, goal)
    begin(work)
    try:
        with work.feed(source, axis.limits) as feed:
            while work.clock.now() < until:
                item = work.take(feed, source, axis.limits)
                if isinstance(item, Reading) and item.usable:
                    taken = [*taken[1 - KEPT :], item]
                told = () if state.phase is Phase.CATCH else ways(work)  # of a turn that the reading shows whole
                for event in (*told, *events(work, item)):
                    asks = state.asks
                    state, effects = trim.step(state, event)
                    if (value := accepted(effects, taken)) is not None:
                        gauge.show(trim.view(state, work.clock.now()), item)
                        return value
                    if state.asks != asks:
                        _advise(work, axis, goal, source, state)
                if state.known.ends is not None:
                    gauge.show(trim.view(state, work.clock.now()), item)
                    work.say(f"{axis.trimmer.name}: {at_its_end(state.known.ends, goal.unit)}", "warning")
                    return None
                _tell_trouble(work, axis.trimmer.name, state)
                gauge.show(trim.view(state, work.clock.now()), item)
        return None
    finally:
        _keep(work, key, learned(state))


def _advise(work: Work, axis: Axis, goal: Goal, source: InstrumentSource, state: trim.TrimState) -> None:
    """Tell, and so record, which part of a turn is asked for."""
    shown = trim.view(state, work.clock.now())
    if shown.asked is None or shown.value is None:
        return
    advice = TurnAdvised(
        work.step.id, axis.trimmer.name, quantity_of(source), shown.value, goal.target, goal.unit, shown.asked,
        shown.turn, counted=True, learning=state.known.gain is None,
    )  # fmt: skip
    work.tell(advice)


def _keep(work: Work, key: tuple[str, str], known: Known) -> None:
    """What was learned of the screw, for the next time; which way raises the reading also for another job."""
    before = work.services.known.get(key)
    work.services.known[key] = known
    if known.gain:
        work.services.gains[key] = known.gain
    if known.raises is not None and (before is None or before.raises is not known.raises):
        remember(work, key, known.raises)


def _tell_trouble(work: Work, trimmer: str, state: trim.TrimState) -> None:
    """What is in the way, once each."""
    tell_restless(work, trimmer, state)
    if state.cue is Cue.DEAD:
        work.say_once("dead", trimmer, "Nothing moves: the wrong trimmer, or the end of its travel?")


def at_its_end(value: float, unit: str) -> str:
    """What is said, and kept in the record, of a trimmer that goes no further."""
    return f"its travel ends at {show(value, unit, digits=4)}; back it off a little"


def tell_restless(work: Work, trimmer: str, state: trim.TrimState) -> None:
    """Say once why nothing is accepted although the hands are off, and what can be done about it."""
    if why := restless(state, work.clock.now()):
        words = (
            f"{trimmer} is not accepted: hands off, the reading {why}. Look for ripple, hum that beats with the "
            "meter, a loose lead, or a unit that is still warming up. It is accepted when it stands; skip it if it "
            "never does."
        )
        work.say_once("restless", trimmer, words)


def accepted(effects: Iterable[object], taken: Sequence[Reading]) -> Value | None:
    """What a hold was accepted at: the mean of its readings, the last of `taken`; None where none was."""
    hold = next((effect for effect in effects if isinstance(effect, Accepted)), None)
    return None if hold is None else replace(value_of(taken[-hold.readings :]), creep=hold.creep)


def begin(work: Work) -> None:
    """What was told or interrupted before does not belong to the turning that begins now."""
    work.restarted = False
    work.turned.clear()


def ways(work: Work) -> Sequence[TrimEvent]:
    """The turns that the person has told of, and which way they went where that was said."""
    told = [Turned(Way(words) if words else None, work.clock.now()) for words in work.turned]
    work.turned.clear()
    return told


def events(work: Work, item: Item | None) -> Sequence[TrimEvent]:
    """What a feed's item is to the trim engine."""
    now = work.clock.now()
    before: tuple[TrimEvent, ...] = (Restart(now),) if work.restarted else ()
    work.restarted = False
    match item:
        case Reading():
            return (*before, Measured(item, now))
        case LinkDown():
            return (replace(item, now=now),)
        case LinkUp():
            return (replace(item, now=now), Restart(now))
        case _:
            return (*before, Tick(now))


class Gauge:
    """Tells of a trim's view: at every item of a feed, and between them only what time has changed."""

    def __init__(self, tell: Callable[[Notice], None], step: str, trimmer: str, goal: Goal) -> None:
        self._tell = tell
        self._step = step
        self._trimmer = trimmer
        self._goal = goal
        self._told: TrimView | None = None

    def show(self, view: TrimView, item: Item | None) -> None:
        asked = "" if view.asked is None else words_of_turn(view.asked)
        seen = replace(view, doubt=None)  # it grows with every moment, and no gauge shows it
        if item is None and seen == self._told:
            return
        self._told = seen
        self._tell(TrimMoved(self._step, self._goal, view, self._trimmer, asked))


def turn_by_eye(work: Work, step: Step, axis: Axis, source: TypedSource) -> Value | None:
    """Turn, read, type, until what is typed is inside."""
    until = work.clock.now() + LONGEST
    found = typed_value(work, source, step.instruction or step.title)
    while found is not None and work.clock.now() < until:
        if axis.limits.holds(found.value):
            return found
        work.heed()
        away = axis.target - found.value
        text = f"{axis.trimmer.name}: {show(abs(away), found.unit, digits=3)} {'low' if away > 0 else 'high'}. Turn it."
        if work.choose(text, ("turned", "cannot"), "turn", axis.trimmer.name, away) != "turned":
            return None
        found = typed_value(work, source, step.instruction or step.title)
    return None
