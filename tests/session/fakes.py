"""A small bench of fakes on a simulated clock, and a person at it: for running and for resuming."""

import os
import struct
import textwrap

from benchrig.readings import Reading
from benchrig.session import ScriptedOperator

HAZARD = """
[hazard.eht]
title = "EHT"
test_point = "TP40"
expected = "9.40 kV"
cautions = ["It can kill."]
in_place = ["Probe ground on the chassis first"]
make_safe = ["Switch off", "Discharge"]
"""
RAIL = """
[[step]]
id = "rail"
kind = "measure"
title = "Rail"
instrument = "handheld"
function = "dc voltage"
point = "TP1"
window = ["11.4 V", "12.6 V"]
hints = { absent = "look at the regulator" }
"""
WIDTH = """
[[step]]
id = "width"
kind = "enter"
title = "Width"
entered = "mm"
window = ["17.5 mm", "18.5 mm"]
needs = ["eht"]
"""


def trim(low, high, more=""):
    """The text of a trim of the rail to 12 V inside this window."""
    return f"""
[[step]]
id = "rail"
kind = "trim"
title = "Rail"
instrument = "handheld"
function = "dc voltage"
point = "TP1"
trimmer = "RV1"
target = "12.0 V"
window = ["{low}", "{high}"]
{more}
"""


def procedure(*parts):
    """The text of a small procedure made of these parts."""
    head = '[procedure]\nid = "small"\ntitle = "Small"\nunit = "Box"\n'
    return head + "".join(textwrap.dedent(part) for part in parts)


class FakeFeed:
    """Gives what `script(now)` says, ten times a second; asks its guard first."""

    def __init__(self, clock, script, guard, log):
        self.clock, self.script, self.guard, self.log = clock, script, guard, log

    def next(self, deadline):
        if self.guard:
            self.guard()
        self.clock.sleep_until(min(deadline, self.clock.now() + 0.1))
        self.log.append(self.clock.now())
        item = self.script(self.clock.now())
        return Reading(item, "V", self.clock.now(), uncertainty=0.01) if isinstance(item, float) else item

    def waveform(self, deadline):
        return None

    def close(self):
        pass


class FakeTools:
    """A bench whose instruments follow scripts: instrument name -> function of the time."""

    name = "fakes"

    def __init__(self, clock, doubles=True, supply=None, **scripts):
        self.clock, self.doubles, self.supply, self.scripts = clock, doubles, supply, scripts
        self.touched = {name: [] for name in scripts}

    def all_doubles(self):
        return self.doubles

    def facts(self):
        return []

    def traffic(self):
        return dict.fromkeys(self.scripts, "")

    def feed(self, source, limits, guard=None):
        if guard:
            guard()
        return FakeFeed(self.clock, self.scripts[source.instrument], guard, self.touched[source.instrument])


class Person(ScriptedOperator):
    """As scripted; the unit follows the power. Writes each reading that it is shown to `pipe` as eight bytes."""

    def __init__(self, pipe=None, **options):
        super().__init__("Marit", **{"entries": {"width": ["18.0 mm"]}, **options})
        self.on, self.pipe, self.asked = True, pipe, []

    def choose(self, question):
        self.asked.append((question.step, question.about))
        self.on = {"power on": True, "power off": False}.get(question.about, self.on)
        return super().choose(question)

    def acknowledge(self, hold):
        self.asked.append((hold.step, hold.purpose))
        self.on = self.on and hold.purpose != "check"
        return super().acknowledge(hold)

    def notify(self, notice):
        super().notify(notice)
        if self.pipe is not None and notice.kind == "reading":
            os.write(self.pipe, struct.pack("d", notice.reading.value))
