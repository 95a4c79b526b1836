"""A guard on a bench of fakes and a simulated clock: a record in memory, a meter that follows a script, a person."""

from fakes import HAZARD, procedure

from benchrig.clock import SimClock
from benchrig.procedure import load_procedure
from benchrig.readings import Reading
from benchrig.records.facts import StoreError
from benchrig.session import ScriptedOperator
from benchrig.session.guard import Guard

MAINS = HAZARD.replace("hazard.eht", "hazard.mains").replace("TP40", "TP1").replace("9.40 kV", "230 V")
MAINS += 'limit = "30 V"\nvalid = "10 min"\n'
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
SOAK = """
[[step]]
id = "soak"
kind = "soak"
title = "Soak"
hazard = "eht"
lasts = "1 h"
"""
CHANNEL = """
[[step.channels]]
name = "{name}"
instrument = "{name}"
function = "dc voltage"
point = "{point}"
window = ["9 kV", "10 kV"]
ceiling = "{ceiling}"
"""
CHANNELS = [
    CHANNEL.format(name="meter", point="TP40", ceiling="10.4 kV"),
    CHANNEL.format(name="second", point="TP40", ceiling="10.3 kV"),
    CHANNEL.format(name="third", point="TP39", ceiling="10.2 kV"),
]
# What a scope catches has a place and no limits of its own.
CATCH = """
[[step.catches]]
name = "dips"
instrument = "scope"
channel = 1
point = "TP2"
level = "4.5 V"
swing = "8 V"
duration = "200 ms"
"""
EHT_AT_TWO = HAZARD.replace("cautions", 'points = ["TP39"]\ncautions', 1)
TEXT = procedure(EHT_AT_TWO, MAINS, SAFE, EHT, LOOSE, BY_HAND, SOAK, *CHANNELS, CATCH)


class Kept:
    """A record in memory; `full` once nothing can be written any more."""

    def __init__(self):
        self.events, self.acknowledgements, self.readings = [], [], []
        self.kept_alive, self.full = 0, False

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
        self.kept_alive += 1


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

    def asked(self):
        """About what the person was asked since the last look, in order."""
        found = [about for about, _ in self.person.asked]
        self.person.asked.clear()
        return found

    def said(self):
        return [(it.level, it.words) for it in self.person.told if it.kind == "said"]


class Person(ScriptedOperator):
    """As scripted, and remembers in which order it was asked what."""

    def __init__(self, never=(), **options):
        super().__init__("Marit", **options)
        self.never, self.asked, self.choices = set(never), [], []

    def choose(self, question):
        self.asked.append((question.about, question.text))
        self.choices.append(question.choices)
        return question.choices[1] if question.about in self.never else super().choose(question)

    def acknowledge(self, hold):
        self.asked.append((hold.purpose, hold))
        return super().acknowledge(hold)

    def enter(self, request):
        self.asked.append(("enter", request))
        return super().enter(request)

    def hands_off(self, step, reason):
        self.asked.append(("hands off", (step, reason)))
        return True
