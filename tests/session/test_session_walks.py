"""Long random walks over the real guard: machine, hold points and door together, against a model of its own.

The model knows only what the person typed and what was then taken away. A touch of a hazardous point that the model
does not allow, or hands let in after a live point that was not made safe, ends the walk as a failure.
"""

import contextlib
import os
import random
from collections import Counter
from datetime import timedelta

from fakes import HAZARD, procedure
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, rule

from benchrig.clock import SimClock
from benchrig.errors import BenchrigError
from benchrig.holdpoint import HoldMove
from benchrig.procedure import load_procedure
from benchrig.readings import Reading
from benchrig.session import ScriptedOperator
from benchrig.session.guard import Guard
from benchrig.session.machine import OVER, SessionPhase
from benchrig.session.points import HazardousPoint

HEAVY = bool(os.environ.get("BENCHRIG_HEAVY"))
BATCH = 100  # events in one rule
WALKS, RULES = (450, 50) if HEAVY else (8, 12)
MAINS = HAZARD.replace("hazard.eht", "hazard.mains").replace("TP40", "TP1").replace("9.40 kV", "230 V")
STEP = """
[[step]]
id = "{id}"
kind = "measure"
title = "{id}"
{hazard}instrument = "meter"
function = "dc voltage"
point = "{point}"
window = ["{low}", "{high}"]
{ceiling}
"""
STEPS = [
    STEP.format(id="safe", hazard="", point="TP9", low="1 V", high="2 V", ceiling=""),
    *(
        STEP.format(id=f"eht-{n}", hazard='hazard = "eht"\n', point="TP40", low="9 kV", high="9.8 kV", ceiling=ceiling)
        for n, ceiling in enumerate(['ceiling = "10.4 kV"'] * 2)
    ),
    STEP.format(id="mains-0", hazard='hazard = "mains"\n', point="TP1", low="210 V", high="250 V", ceiling=""),
]
COUNTED = Counter()


class Walls(SimClock):
    """A simulated clock whose wall time can jump."""

    def __init__(self):
        super().__init__()
        self.jumped = 0.0

    def stamp(self):
        return super().stamp() + timedelta(seconds=self.jumped)


class Nothing:
    """A record that keeps nothing: the walk is not about it."""

    def __getattr__(self, name):
        return lambda *values, **named: 0


class Model:
    """What the person typed last and what is left of it."""

    def __init__(self, clock):
        self.clock = clock
        self.given = None  # (hazard, step, now, wall jump)
        self.checking = None  # the same, for the look that it is off
        self.live = False  # a point was let live and not made safe

    def still(self, what):
        return what is not None and self.clock.now() - what[2] <= 900.0 and abs(self.clock.jumped - what[3]) <= 2.0

    def may_touch(self, hazard, step):
        work = self.still(self.given) and self.given[:2] == (hazard, step)
        return work or (self.still(self.checking) and self.checking[0] == hazard)


class Feed:
    def __init__(self, walk, source, guard):
        self.walk, self.source, self.guard = walk, source, guard

    def next(self, deadline):
        self.guard()
        self.walk.touched(self.source)
        walk = self.walk
        walk.clock.sleep_until(walk.clock.now() + (1.6 if walk.off else 50.0))
        return Reading(1.0 if walk.off else 300.0, "V", walk.clock.now())

    def close(self):
        pass


class Tools:
    name, supply = "fakes", None

    def __init__(self, walk):
        self.walk = walk

    def all_doubles(self):
        return True

    def feed(self, source, limits, guard=None):
        if guard is not None:
            guard()
        self.walk.touched(source)
        return Feed(self.walk, source, guard)


class Person(ScriptedOperator):
    """Answers as the walk says: right, wrong, not at all, or does not do what is asked."""

    def __init__(self, walk):
        super().__init__("Marit")
        self.walk = walk

    def acknowledge(self, hold):
        walk = self.walk
        words = (hold.phrase, hold.phrase, hold.phrase, "y", "", None)[walk.answer % 6]
        if words == hold.phrase:
            hazard = "eht" if hold.test_point == "TP40" else "mains"
            what = (hazard, hold.step, walk.clock.now(), walk.clock.jumped)
            if hold.purpose == "work":
                walk.model.given = what
            else:
                walk.model.checking = what
        return words

    def choose(self, question):
        return question.choices[1 if self.walk.answer % 16 == 15 else 0]

    def notify(self, notice):
        pass


class Walk(RuleBasedStateMachine):
    """Batches of events; each byte picks an event and how the person answers it."""

    work = None

    def __init__(self):
        super().__init__()
        self.begin()

    def begin(self):
        self.clock = Walls()
        self.model = Model(self.clock)
        self.answer, self.off, self.last, self.old = 0, True, self.work.step("safe"), None
        self.guard = Guard(self.work, Tools(self), Person(self), Nothing(), self.clock, "B1")

    def touched(self, source):
        hazard = {"TP40": "eht", "TP1": "mains"}.get(source.point)
        if hazard is None:
            return
        COUNTED["touches"] += 1
        steps = {it.id for it in self.work.steps if it.hazard == hazard}
        assert any(self.model.may_touch(hazard, step) for step in steps), "a touch that nobody acknowledged"

    @rule(seed=st.integers(0, 2**64))
    def go(self, seed):
        """By chance: most walks get somewhere."""
        chance = random.Random(seed)
        self.walk(chance.randbytes(BATCH), chance.randbytes(BATCH))

    @rule(events=st.binary(max_size=20), answers=st.binary(max_size=20))
    def go_astray(self, events, answers):
        """What the search thinks of: repeats, extremes, and short walks once something was found."""
        self.walk(events, answers)

    def walk(self, events, answers):
        for event, self.answer in zip(events, answers, strict=False):
            COUNTED["events"] += 1
            ways = NEXT.get(self.guard.session.phase, DO) if event % 4 else DO
            act = ways[event // 4 % len(ways)]
            if act in OF_A_POINT and not self.guard.session.hazard:
                continue  # a step without a hazard never calls these
            with contextlib.suppress(RuntimeError, BenchrigError):  # not allowed now, or refused
                act(self)
            self.look()

    def look(self):
        session = self.guard.session
        self.model.live = self.model.live or session.phase is SessionPhase.LIVE_WORKING
        assert not (session.hands_may_go_in and self.model.live), "hands in after a live point"
        assert not (session.phase is SessionPhase.WORKING and self.model.live), "work by hand at a live point"
        if session.phase in OVER or (session.phase is SessionPhase.READY and session.ending and self.answer % 8 == 0):
            self.begin()

    # events

    def step_begins(self, name):
        self.last = self.work.step(name)
        self.guard.begin(self.last, 1)
        self.old = self.guard.acknowledgement or self.old

    def read(self, acknowledgement):
        source, hazard = self.last.source, self.last.hazard
        if hazard is None or acknowledgement is None:
            return
        door = HazardousPoint(source, None, hazard, self.last.id, self.guard.moment)
        door.open(Tools(self), acknowledgement)

    def make_safe(self):
        self.off = self.answer % 4 != 3
        before = self.guard.session.phase
        try:
            safe = self.guard.secure(self.last if self.last.hazard else self.work.step("eht-0"))
        finally:
            self.model.checking = None
        assert before is SessionPhase.LIVE_READY
        if safe:
            assert self.off
            COUNTED["made safe"] += self.model.live
            self.model.live, self.model.given = False, None

    def gone(self, act):
        """Whatever takes the acknowledgement away."""
        before = self.guard.session.phase
        act()
        if before is SessionPhase.LIVE_WORKING is not self.guard.session.phase:
            self.model.given = None

    def see(self):
        value = (0.0, 30.0, 9400.0, 9400.0, 10500.0, None)[self.answer % 6]
        self.guard.see(value, value is None)

    def lapses(self):
        self.gone(self.lapse)

    def sees(self):
        self.gone(self.see)

    def pass_time(self):
        self.clock.sleep_until(self.clock.now() + (0.5, 5.0, 100.0, 1000.0)[self.answer % 4])

    def jump(self):
        self.clock.jumped += (0.1, 3.0, -3600.0)[self.answer % 3]

    def lapse(self):
        self.guard.lapse((HoldMove.LINK_LOST, HoldMove.PAUSED, HoldMove.PROBE_OFF)[self.answer % 3])


DO = (
    lambda walk: walk.step_begins("safe"),
    lambda walk: walk.step_begins("eht-0"),
    lambda walk: walk.step_begins("eht-0"),
    lambda walk: walk.step_begins("eht-1"),
    lambda walk: walk.step_begins("mains-0"),
    lambda walk: walk.gone(walk.guard.done),
    lambda walk: walk.gone(walk.guard.done),
    lambda walk: walk.guard.pause(),
    lambda walk: walk.guard.resume(),
    Walk.lapses,
    Walk.sees,
    lambda walk: walk.gone(walk.guard.lapsed) if walk.guard.acknowledgement is None else None,
    lambda walk: walk.gone(walk.guard.breached) if walk.answer % 8 == 0 else None,
    lambda walk: walk.gone(lambda: walk.guard.cut("stop")) if walk.answer % 64 == 0 else None,
    Walk.make_safe,
    Walk.make_safe,
    lambda walk: walk.guard.end() if walk.answer % 64 == 0 else None,
    lambda walk: walk.gone(walk.pass_time),
    lambda walk: walk.jump() if walk.answer % 8 == 0 else None,
    lambda walk: walk.read(walk.guard.acknowledgement),
    lambda walk: walk.read(walk.guard.acknowledgement),
    lambda walk: walk.read(walk.old),  # one that was kept from before
)
# What is done often in a phase, so that walks get somewhere; at every fourth event anything at all.
READ = lambda walk: walk.read(walk.guard.acknowledgement)  # noqa: E731
READ_OLD = lambda walk: walk.read(walk.old)  # noqa: E731
LEAVE = lambda walk: walk.gone(walk.guard.done)  # noqa: E731
CUT = lambda walk: walk.gone(lambda: walk.guard.cut("stop"))  # noqa: E731
REACH = lambda walk: walk.step_begins("eht-0")  # noqa: E731
NEXT = {
    SessionPhase.READY: (
        REACH,
        lambda walk: walk.step_begins("safe"),
        lambda walk: walk.step_begins("mains-0"),
        READ_OLD,
    ),
    SessionPhase.WORKING: (LEAVE, READ_OLD),
    SessionPhase.LIVE_WORKING: (READ, READ, Walk.sees, LEAVE, lambda walk: walk.gone(walk.pass_time)),
    SessionPhase.LIVE_READY: (Walk.make_safe, Walk.make_safe, REACH, READ_OLD, CUT),
}
OF_A_POINT = (Walk.lapses, Walk.sees, Walk.make_safe)


def test_no_walk_touches_a_live_point_unasked_or_lets_hands_in_before_make_safe(tmp_path, record_property):
    """A million events with BENCHRIG_HEAVY; they do reach the live point, and it is touched."""
    file = tmp_path / "p.toml"
    file.write_text(procedure(HAZARD, MAINS, *STEPS))
    Walk.work = load_procedure(file)
    COUNTED.clear()
    how = settings(
        max_examples=WALKS, stateful_step_count=RULES, deadline=None, database=None,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    run = Walk.TestCase
    run.settings = how
    run("runTest").runTest()
    record_property("events", COUNTED["events"])
    assert COUNTED["events"] >= (1_000_000 if HEAVY else 1000)
    assert COUNTED["touches"] > 10
    assert COUNTED["made safe"] > 10
