"""No sequence of events, in any order, makes the engine accept what it must not.

The machine keeps its own account of what came, by the rules as a person would say them, and checks each acceptance
against that account. It shares nothing with the engine but the words.
"""

from __future__ import annotations

import math
import os

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from benchrig.readings import Flag, Reading
from benchrig.trim import engine
from benchrig.trim.types import (
    Accepted,
    CeilingPassed,
    Cue,
    Goal,
    LinkDown,
    LinkUp,
    Measured,
    Restart,
    Tick,
    TrimEvent,
    Turned,
    Way,
)

GOAL = Goal(5.0, 4.9, 5.1, "V", hold=0.6, settle=0.05, ceiling=8.0, stale_after=1.0)
BAD = [
    Flag.OVERLOAD,
    Flag.UNDERLOAD,
    Flag.INVALID,
    Flag.HOLD,
    Flag.MINMAX,
    Flag.RELATIVE,
    Flag.STALE,
    Flag.CLIPPED,
    Flag.BUSY,
    Flag.UNSETTLED,
]
HARMLESS = [Flag.NONE, Flag.DC, Flag.AUTORANGE, Flag.LOW_BATTERY]


class AnyOrder(RuleBasedStateMachine):
    """Events in any order; time never runs back, readings may."""

    @initialize(begin=st.floats(0.0, 1e6))
    def begin(self, begin: float) -> None:
        self.now = begin
        self.state = engine.start(GOAL, begin)
        self.good_since: list[Reading] = []  # the unbroken row of readings that a person would count
        self.linked = True
        self.since = -math.inf
        self.newest = -math.inf
        self.ended = ""

    def send(self, event: TrimEvent) -> None:
        self.state, effects = engine.step(self.state, event)
        for effect in effects:
            if isinstance(effect, Accepted):
                self.check(effect)
                self.ended = "accepted"
            if isinstance(effect, CeilingPassed):
                self.ended = "ceiling"

    def check(self, effect: Accepted) -> None:
        assert self.linked
        assert not self.ended
        row = self.good_since
        assert row
        assert row[-1].time - row[0].time >= GOAL.hold - 1e-9
        held = [r for r in row if r.time >= row[-1].time - GOAL.hold]
        assert all(r.usable and r.unit == "V" and r.value is not None for r in held)
        assert all(GOAL.low <= (r.value or 0.0) <= GOAL.high for r in held)
        assert GOAL.low <= effect.low <= effect.value <= effect.high <= GOAL.high

    def reading(self, value: float | None, flags: Flag, age: float, unit: str = "V") -> None:
        taken = Reading(value, unit, self.now - age, flags, resolution=0.001, aperture=0.02)
        newer = taken.time > self.newest and taken.time - taken.aperture >= self.since
        fresh = 0.0 <= taken.age(self.now) <= GOAL.stale_after
        number = value is not None and math.isfinite(value)
        counts = self.linked and newer and fresh and number and taken.usable and unit == "V"
        inside = counts and value is not None and GOAL.low <= value <= GOAL.high
        joins = self.good_since and taken.time - self.good_since[-1].time <= GOAL.stale_after
        if not inside or flags & Flag.RANGE_CHANGED or not joins:
            self.good_since = []
        if inside:
            self.good_since.append(taken)
        if counts:
            self.newest = taken.time
        self.send(Measured(taken, self.now))

    @rule(dt=st.floats(0.03, 0.4), value=st.floats(4.95, 5.05))
    def good(self, dt: float, value: float) -> None:
        self.now += dt
        self.reading(value, Flag.DC, 0.0)

    @rule(dt=st.floats(0.05, 0.3), value=st.floats(4.9, 5.1), count=st.integers(2, 15))
    def stands(self, dt: float, value: float, count: int) -> None:
        for _ in range(count):
            self.now += dt
            self.reading(value, Flag.DC, 0.0)

    @rule(dt=st.floats(0.0, 0.4), value=st.floats(-7.9, 7.9), flag=st.sampled_from(HARMLESS))
    def anywhere(self, dt: float, value: float, flag: Flag) -> None:
        self.now += dt
        self.reading(value, flag, 0.0)

    @rule(dt=st.floats(0.0, 0.4), flag=st.sampled_from(BAD), value=st.one_of(st.none(), st.floats(4.9, 5.1)))
    def unusable(self, dt: float, flag: Flag, value: float | None) -> None:
        self.now += dt
        self.reading(value, flag, 0.0)

    @rule(dt=st.floats(0.0, 0.3), value=st.sampled_from([math.nan, None]))
    def no_number(self, dt: float, value: float | None) -> None:
        self.now += dt
        self.reading(value, Flag.NONE, 0.0)

    @rule(age=st.floats(-0.5, 5.0), value=st.floats(4.95, 5.05))
    def any_age(self, age: float, value: float) -> None:
        self.reading(value, Flag.NONE, age)

    @rule(value=st.floats(4.95, 5.05))
    def other_range(self, value: float) -> None:
        self.now += 0.1
        self.reading(value, Flag.RANGE_CHANGED | Flag.AUTORANGE, 0.0)

    @rule(value=st.floats(4.95, 5.05), unit=st.sampled_from(["ohm", "A", "1"]))
    def other_unit(self, value: float, unit: str) -> None:
        self.now += 0.1
        self.reading(value, Flag.NONE, 0.0, unit)

    @rule(dt=st.floats(0.0, 3.0))
    def time_passes(self, dt: float) -> None:
        self.now += dt
        self.send(Tick(self.now))

    @rule()
    def unplug(self) -> None:
        self.linked, self.good_since, self.since = False, [], self.now
        self.send(LinkDown(self.now))

    @rule()
    def plug(self) -> None:
        self.linked, self.good_since, self.since = True, [], self.now
        self.send(LinkUp(self.now))

    @rule()
    def restart(self) -> None:
        self.good_since, self.since, self.ended, self.newest = [], self.now, "", -math.inf
        self.send(Restart(self.now))

    @rule(way=st.sampled_from(Way))
    def told(self, way: Way) -> None:
        self.send(Turned(way, self.now))

    @precondition(lambda self: self.ended != "ceiling")
    @rule(value=st.floats(8.01, 1e9), flag=st.sampled_from([*HARMLESS, *BAD]))
    def above(self, value: float, flag: Flag) -> None:
        self.now += 0.1
        self.reading(value, flag, 0.0)
        assert self.ended == "ceiling"

    @invariant()
    def shows_what_it_knows(self) -> None:
        shown = engine.view(self.state, self.now)
        assert 0.0 <= shown.held <= 1.0
        assert shown.cue is not Cue.ACCEPTED or self.ended == "accepted"
        assert (shown.cue is Cue.CEILING) == (self.ended == "ceiling")
        if not self.linked and not self.ended:
            assert shown.cue is Cue.LOST
        late = engine.view(self.state, self.now + 10.0)
        assert late.stale
        assert late.cue not in {Cue.UP, Cue.DOWN, Cue.SLOW_UP, Cue.SLOW_DOWN, Cue.PASSED, Cue.GOOD}


AnyOrder.TestCase.settings = settings(
    max_examples=2000 if os.environ.get("BENCHRIG_HEAVY") else 60, stateful_step_count=40, deadline=None
)
TestAnyOrder = AnyOrder.TestCase
