"""Guiding a hand on one trimmer until the trim engine accepts the value, or the person types one that is inside.

Rules kept here:
- A setting is accepted by the trim engine, or for typed values by the typed value itself; never by a key.
- Which way raises the reading is seen from the way that was said and the one in which it went, or told by the person;
  it is remembered for that trimmer.
- A stated part of a turn that is asked for is told, and so recorded, once for each asking.
- The gauge is told of every reading, and ten times a second of what time alone has changed.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from .. import trim
from ..procedure.quantities import Axis, ScopeSource, Source, TypedSource
from ..procedure.step import HandStep, Step
from ..trim.engine import learned
from ..trim.shown import restless
from ..trim.state import TrimPhase
from ..trim.types import Cue, Goal, Known, Restart, TrimEvent, Turned, Way
from ..units import show
from .driving import Gauge, HandDrive
from .learned_ways import remember
from .notices import TurnAdvised
from .tools import InstrumentSource, Item
from .typed_value import typed_value
from .verdicts import Value
from .work import Work

LONGEST = 1800.0  # s that one trim may take before it is given up
STALE = 1.5  # s of age at which a reading is no longer the present value


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


class Turning(HandDrive):
    """One trimmer turned by the cues of the trim engine."""

    def __init__(self, work: Work, axis: Axis, goal: Goal, source: InstrumentSource) -> None:
        super().__init__(work, source, axis.limits)
        self.key = (axis.trimmer.name, quantity_of(source))
        self.state = trim.start(goal, self.now, work.services.known.get(self.key))
        self._gauge = Gauge(work.tell, work.step.id, axis.trimmer.name, goal)

    @property
    def over(self) -> bool:
        return self.value is not None or self.state.known.ends is not None

    def told(self) -> Sequence[TrimEvent]:
        """The turns that the person has told of, once the reading shows them whole."""
        return () if self.state.phase is TrimPhase.CATCH else ways(self.work)

    def effects(self, event: TrimEvent) -> Iterable[object]:
        asks = self.state.asks
        self.state, effects = trim.step(self.state, event)
        if self.state.asks != asks:
            self._advise()
        return effects

    def restart(self) -> None:
        self.state, _ = trim.step(self.state, Restart(self.now))

    def looked(self, got: Item | None) -> None:
        name, ends = self.key[0], self.state.known.ends
        if not self.over:
            _tell_trouble(self.work, name, self.state)
        self._gauge.show(trim.view(self.state, self.now), got)
        if self.value is None and ends is not None:
            self.work.say(f"{name}: {at_its_end(ends, self.state.goal.unit)}", "warning")

    def _advise(self) -> None:
        """Tell, and so record, which part of a turn is asked for."""
        shown, goal = trim.view(self.state, self.now), self.state.goal
        if shown.asked is None or shown.value is None:
            return
        advice = TurnAdvised(
            self.work.step.id, *self.key, shown.value, goal.target, goal.unit, shown.asked, shown.turn, counted=True,
            learning=self.state.known.gain is None,
        )  # fmt: skip
        self.work.tell(advice)


def turn_watched(
    work: Work, axis: Axis, goal: Goal, source: InstrumentSource, longest: float = LONGEST
) -> Value | None:
    """Cues for the hand at every reading, until the value is accepted; None if that does not come to pass."""
    turning = Turning(work, axis, goal, source)
    try:
        return turning.run(longest)
    finally:
        _keep(work, turning.key, learned(turning.state))


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


def ways(work: Work) -> Sequence[TrimEvent]:
    """The turns that the person has told of, and which way they went where that was said."""
    told = [Turned(Way(words) if words else None, work.clock.now()) for words in work.turned]
    work.turned.clear()
    return told


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
