"""The guard alone, on a simulated clock: what it asks in which order, what it records, and how make-safe can fail."""

import pytest
from fakes import HAZARD, procedure

from benchrig.clock import SimClock
from benchrig.errors import Refused
from benchrig.procedure import load_procedure
from benchrig.readings import Flag, Reading
from benchrig.records.facts import StoreError
from benchrig.session import ScriptedOperator
from benchrig.session.guard import CHECK_FOR, Guard
from benchrig.session.machine import Phase

MAINS = HAZARD.replace("hazard.eht", "hazard.mains").replace("TP40", "TP1").replace("9.40 kV", "230 V")
STEP = """
[[step]]
id = "{id}"
kind = "measure"
title = "{id}"
{more}
instrument = "meter"
function = "dc voltage"
point = "{point}"
window = ["{low}", "{high}"]
"""
EHT = STEP.format(
    id="eht",
    more='hazard = "eht"\nceiling = "10.4 kV"\ninstruction = "Cap off."',
    point="TP40",
    low="9 kV",
    high="10 kV",
)
LOOSE = STEP.format(id="loose", more='hazard = "eht"', point="TP40", low="9 kV", high="10 kV")
SAFE = STEP.format(id="safe", more="", point="TP9", low="1 V", high="2 V")
# The point of this hazard is measured with a meter that the bench does not have.
BY_HAND = """
[[step]]
id = "by-hand"
kind = "enter"
title = "By hand"
hazard = "mains"
entered = "V"
point = "TP1"
window = ["210 V", "250 V"]
"""
TEXT = procedure(HAZARD, MAINS, SAFE, EHT, LOOSE, BY_HAND)


class Kept:
    """A record in memory; `full` once nothing can be written any more."""

    def __init__(self):
        self.events, self.acknowledgements, self.readings, self.full = [], [], [], False

    def _write(self):
        if self.full:
            raise StoreError("The disk is full.")

    def event(self, row, kind, facts, now, stamp):
        self._write()
        self.events.append((row, kind, facts))

    def acknowledgement(self, row, facts, now, stamp):
        self._write()
        self.acknowledgements.append((row, facts))

    def reading(self, row, channel, reading):
        self._write()
        self.readings.append((row, channel, reading.value))

    def keep_alive(self, now):
        pass


class Feed:
    """Every half second the next of `script`, then its last for ever; asks its guard before each."""

    def __init__(self, bench, guard):
        self.bench, self.guard, self.closed = bench, guard, False

    def next(self, deadline):
        self.guard()
        self.bench.clock.sleep_until(deadline)
        script = self.bench.script
        item = script.pop(0) if len(script) > 1 else script[0]
        if isinstance(item, BaseException):
            raise item
        return Reading(item, "V", self.bench.clock.now()) if isinstance(item, float) else item

    def close(self):
        self.closed = True


class Supply:
    """Switches at once, unless it is stuck."""

    def __init__(self, stuck=False):
        self.on, self.stuck = True, stuck

    def set_output(self, on, channel=1):
        self.on = on or self.stuck

    def output_is_on(self, channel=1):
        return self.on

    def measure(self, function, deadline, channel=1):
        return Reading(28.0 if self.on else 0.0, "V")


class Bench:
    """Tools and a guard; `script` is what the meter shows at the check."""

    name = "fakes"

    def __init__(self, folder, script=(1.0,), supply=None, **operator):
        file = folder / "p.toml"
        file.write_text(TEXT)
        self.procedure = load_procedure(file)
        self.clock, self.store, self.supply = SimClock(), Kept(), supply
        self.script, self.feeds = list(script), []
        self.person = Person(**operator)
        self.guard = Guard(self.procedure, self, self.person, self.store, self.clock, "B1")

    def all_doubles(self):
        return True

    def feed(self, source, limits, guard=None):
        self.feeds.append(Feed(self, guard))
        return self.feeds[-1]

    def begin(self, step):
        self.guard.begin(self.procedure.step(step), 7)

    def live(self, step="eht"):
        """A hazardous step begun, and the acknowledgement that somebody might keep."""
        self.begin(step)
        return self.guard.acknowledgement

    def left(self, step="eht"):
        """A hazardous step begun and done: its point is to be made safe."""
        self.live(step)
        self.guard.done()

    def secure(self, step="eht"):
        return self.guard.secure(self.procedure.step(step))

    def said(self):
        return [(it.level, it.words) for it in self.person.told if it.kind == "said"]


class Person(ScriptedOperator):
    """As scripted, and remembers in which order it was asked what."""

    def __init__(self, never=(), **options):
        super().__init__("Marit", **options)
        self.never, self.asked = never, []

    def choose(self, question):
        self.asked.append((question.about, question.text))
        return question.choices[1] if question.about in self.never else super().choose(question)

    def acknowledge(self, hold):
        self.asked.append((hold.purpose, hold))
        return super().acknowledge(hold)

    def hands_off(self, step, reason):
        self.asked.append(("hands off", (step, reason)))
        return True


@pytest.fixture
def bench(tmp_path):
    return lambda script=(1.0,), **options: Bench(tmp_path, script, **options)


def refused(bench, acknowledgement, step="eht"):
    with pytest.raises(Refused):
        acknowledgement.require("eht", step, bench.guard.moment())
    return True


OVER = Reading(None, "V", flags=Flag.OVERLOAD)
HELD = Reading(1.0, "V", flags=Flag.HOLD)


@pytest.mark.parametrize("script", [[1.0, 1.0, OVER], [1.0, 50.0]])
def test_a_point_that_overloads_the_meter_between_low_readings_is_not_safe(bench, script):
    """More than can be shown is above every limit: it starts the row again, as a reading above the limit does."""
    on = bench(script * 1000)
    on.left("loose")
    assert not on.secure("loose")
    assert on.clock.now() >= CHECK_FOR
    assert on.guard.session.phase is Phase.UNSAFE


def test_an_overload_at_the_check_of_a_point_with_a_ceiling_ends_the_check(bench):
    on = bench([1.0, OVER])
    on.left()
    assert not on.secure()
    assert on.clock.now() < 2.0
    assert "more than can be shown" in on.guard.session.ending


def test_a_frozen_display_shows_nothing_about_the_point(bench):
    """Held at 1 V since before the power went off."""
    on = bench([HELD])
    on.left()
    assert not on.secure()


def test_a_check_that_ran_out_leaves_nobody_leave_to_read(bench):
    """Not made safe is not readable either: the leave to check ends with the check, however it ended."""
    on = bench([50.0])
    on.left()
    kept = []
    hear = on.person.notify

    def notify(notice):
        kept.append(on.guard.acknowledgement)
        hear(notice)

    on.person.notify = notify
    assert not on.secure()
    assert on.guard.acknowledgement is None
    (check,) = {it for it in kept if it is not None}
    assert refused(on, check)
    assert on.guard.session.ending == "TP40 was not made safe: not seen below 42.40 V"


@pytest.mark.parametrize("during", ["hands off", "check", "reading"])
def test_a_make_safe_that_is_broken_off_still_says_that_the_point_is_live(bench, during):
    """Ctrl-C while hands are called off, at the question, or at the check: never in silence."""
    on = bench([50.0, 50.0, KeyboardInterrupt() if during == "reading" else 50.0])
    on.left()

    def interrupted(*values):
        raise KeyboardInterrupt

    if during == "hands off":
        on.person.hands_off = interrupted
    if during == "check":
        on.person.acknowledge = interrupted
    with pytest.raises(KeyboardInterrupt):
        on.secure()
    assert on.guard.session.phase is Phase.UNSAFE
    assert on.said()[-1] == ("alarm", "TP40 WAS NOT SEEN SAFE. Take it for live. Keep hands out.")
    assert on.guard.acknowledgement is None


def test_a_record_that_can_no_longer_be_written_does_not_silence_a_warning(bench):
    """A full disk: what is dangerous is told all the same, and the trouble is raised after it."""
    on = bench()
    on.left()
    on.store.full = True
    with pytest.raises(StoreError):
        on.secure()
    assert on.said()[-1] == ("alarm", "TP40 WAS NOT SEEN SAFE. Take it for live. Keep hands out.")
    assert on.guard.session.phase is Phase.UNSAFE


def test_too_high_is_told_and_the_supply_goes_off_where_nothing_can_be_recorded(bench):
    """Told first and switched off; only then the record's trouble ends the job."""
    on = bench(supply=Supply())
    on.live()
    on.store.full = True
    with pytest.raises(StoreError):
        on.guard.breached()
    assert on.said()[0] == ("alarm", "TOO HIGH. Let go. Hands away. Switch the unit off.")
    assert not on.supply.on
