"""Whatever a feed gives, in whatever order: a trim is only accepted on readings a person would count.

Through the whole session: feed, record, commands, trim engine. The account kept here shares nothing with the engine.
"""

import os

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchrig.clock import SimClock
from benchrig.events import LinkDown, LinkUp
from benchrig.procedure import load_procedure
from benchrig.readings import Flag, Reading
from benchrig.records import SqliteStore
from benchrig.session import ScriptedOperator, run
from benchrig.session.operators import Command

TEXT = """
[procedure]
id = "any"
title = "Any"
unit = "Box"
rule = "simple"
[[step]]
id = "any"
kind = "trim"
title = "Any"
as_found = false
instrument = "meter"
function = "dc voltage"
point = "TP1"
trimmer = "RV1"
target = "5 V"
window = ["4.9 V", "5.1 V"]
hold = "0.6 s"
counted = {counted}
"""
LOW, HIGH, HOLD, STALE = 4.9, 5.1, 0.6, 1.5
BAD = [
    Flag.OVERLOAD, Flag.UNDERLOAD, Flag.INVALID, Flag.HOLD, Flag.MINMAX, Flag.RELATIVE, Flag.STALE, Flag.CLIPPED,
    Flag.BUSY, Flag.UNSETTLED,
]  # fmt: skip

inside = st.tuples(st.just("reading"), st.floats(4.95, 5.05), st.just(Flag.DC), st.just(0.0))
outside = st.tuples(st.just("reading"), st.floats(3.0, 7.0), st.just(Flag.DC), st.just(0.0))
bad = st.tuples(st.just("reading"), st.floats(4.95, 5.05), st.sampled_from(BAD), st.just(0.0))
hop = st.tuples(st.just("reading"), st.floats(4.95, 5.05), st.just(Flag.RANGE_CHANGED), st.just(0.0))
old = st.tuples(st.just("reading"), st.floats(4.95, 5.05), st.just(Flag.DC), st.floats(1.6, 5.0))
stands = st.integers(2, 10).map(lambda count: [("reading", 5.0, Flag.DC, 0.0)] * count)
away = st.sampled_from([[("lost",), ("back",)], [("quiet", 1.0)], [("quiet", 4.0)]])
told = st.sampled_from(["pause", "turned", "clockwise", "counter-clockwise"]).map(lambda words: [("told", words)])
one = st.one_of(inside, outside, bad, hop, old).map(lambda item: [item])
scripts = st.lists(st.one_of(one, stands, away, told), max_size=40).map(
    lambda parts: [item for part in parts for item in part]
)


class Person(ScriptedOperator):
    """Wants the trimmer set whatever it reads; says what the script says."""

    def __init__(self):
        super().__init__("Marit")
        self.wants, self.paused, self.unpaused = [], False, lambda: None

    def choose(self, question):
        return "adjust" if "adjust" in question.choices else super().choose(question)

    def commands(self):
        if self.paused:
            self.paused = False
            self.unpaused()
            return [Command("resume")]
        said, self.wants = self.wants, []
        self.paused = any(command.verb == "pause" for command in said)
        return said


class Bench:
    """Feeds that follow one script, and the row of readings that a person would count."""

    name, supply = "script", None

    def __init__(self, clock, person, script):
        self.clock, self.person, self.script = clock, person, list(script)
        self.row, self.feeds, self.lost = [], 0, False
        person.unpaused = self.row.clear

    def all_doubles(self):
        return True

    def facts(self):
        return []

    def feed(self, source, limits, guard=None):
        self.feeds += 1
        self.row.clear()
        return self

    def waveform(self, deadline):
        return None

    def close(self):
        pass

    def next(self, deadline):
        self.clock.sleep_until(min(deadline, self.clock.now() + 0.1))
        if self.feeds == 1:  # as found: far out, so that there is something to turn
            return Reading(6.5, "V", self.clock.now(), Flag.DC, uncertainty=1e-3)
        if not self.script:
            self.person.wants.append(Command("skip", "the script is over"))
            return None
        return self._item(*self.script.pop(0))

    def _item(self, kind, *more):
        now = self.clock.now()
        if kind == "reading":
            return self._reading(Reading(more[0], "V", now - more[2], more[1], uncertainty=1e-3))
        if kind == "told":
            words = more[0]
            self.person.wants.append(
                Command("pause") if words == "pause" else Command("turned", words.removeprefix("turned"))
            )
        if kind == "quiet":
            self.clock.sleep_until(now + more[0])
        if kind in ("lost", "back"):
            self.row.clear()
            return LinkDown(0.0, "meter", "cut") if kind == "lost" else LinkUp(0.0, "meter", 1.0)
        return None

    def _reading(self, reading):
        counts = reading.usable and LOW <= reading.value <= HIGH and reading.age(self.clock.now()) <= STALE
        joins = bool(self.row) and 0.0 < reading.time - self.row[-1].time <= STALE
        if not counts or not joins or reading.flags & Flag.RANGE_CHANGED:
            self.row.clear()
        if counts:
            self.row.append(reading)
        return reading


@settings(
    max_examples=3000 if os.environ.get("BENCHRIG_HEAVY") else 60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(script=scripts, counted=st.booleans())
def test_only_an_unbroken_row_of_good_readings_is_accepted(tmp_path_factory, script, counted):
    """When the gauge says accepted, every reading of the hold time before it was one that counts."""
    folder = tmp_path_factory.mktemp("any")
    file = folder / "any.toml"
    file.write_text(TEXT.format(counted=str(counted).lower()))
    clock, person, accepted = SimClock(), Person(), []
    bench = Bench(clock, person, script)
    notify = person.notify

    def hear(notice):
        if notice.kind == "trim" and notice.view.cue == "accepted":
            accepted.append(list(bench.row))
        notify(notice)

    person.notify = hear
    store = SqliteStore(folder / "record.sqlite")
    outcome = run(load_procedure(file), bench, person, store, clock)
    store.close()
    assert (outcome.results["any"].verdict == "pass") == bool(accepted)
    for row in accepted:
        assert row
        assert row[-1].time - row[0].time >= HOLD - 1e-9


def test_the_script_of_a_good_setting_is_accepted(tmp_path_factory):
    """So that the property above is not kept by accepting nothing."""
    test = test_only_an_unbroken_row_of_good_readings_is_accepted.hypothesis.inner_test
    seen = []
    good = [("reading", 5.0, Flag.DC, 0.0)] * 15
    original = Bench._reading
    Bench._reading = lambda self, reading: (seen.append(reading), original(self, reading))[1]
    try:
        test(tmp_path_factory, good, False)
    finally:
        Bench._reading = original
    assert 7 <= len(seen) < 15  # accepted before the script was over
