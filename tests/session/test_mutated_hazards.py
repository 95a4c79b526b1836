"""Hazardous procedure files with mistakes in them: none of them reads a hazardous point that was not acknowledged.

Each file is a small sound job with one step made wrong in one to three ways, drawn from a seed: its point left out,
misspelt or another's, kV as V, the probe left out or another, the hazard left out or another's, another instrument or
function, another kind of step; or the whole hazard in V. What the file does not refuse is run at a bench that knows on
which node each lead really is, with the leads of an earlier job still on the hazardous node, and with a person who does
what they are told, word for word.

300 files with BENCHRIG_HEAVY=1; a fifth of that otherwise. How a name is written and what it means is the test's own
table, not the program's comparison.
"""

import collections
import os
import random
import re

import numpy as np
import pytest

from benchrig.clock import SimClock
from benchrig.errors import FileError
from benchrig.procedure import load_procedure
from benchrig.readings import Reading
from benchrig.records import SqliteStore
from benchrig.session import run
from benchrig.session.operators import Command, ScriptedOperator
from benchrig.session.tools import Taken
from benchrig.signals.waveform import Waveform

COUNT = 300 if os.environ.get("BENCHRIG_HEAVY") else 60
ENOUGH = 40  # looks after which the person skips a step that turns something
EHT, FOCUS, RAIL, ZERO = "EHT", "FOCUS", "RAIL", "ZERO"
VOLTS = {EHT: 9400.0, FOCUS: 480.0, RAIL: 12.0, ZERO: 0.0}
NAMES = {  # as a person may write a node, and would read it
    "A4 TP40": EHT, "a4 tp40": EHT, "A4-TP40": EHT,
    "a4-tp40": EHT, "A4 TP 40": EHT, "A4TP40": EHT, "TP40": EHT, "A4 TP4O": EHT,
    "A4 TP40 (anode)": EHT, "A4  tp40.": EHT, "А4 ТР40": EHT,
    "A4 TP45": FOCUS, "a4.tp45": FOCUS, "TP45": FOCUS,
    "A1 TP1": RAIL, "a1-tp1": RAIL, "A2 TP21": ZERO,
}  # fmt: skip
HEAD = '[procedure]\nid = "p"\ntitle = "P"\nunit = "Box"\n'
HAZARD = """
[hazard.{name}]
title = "{name}"
test_point = "{point}"
expected = "{expected}"
cautions = ["It kills."]
in_place = ["Ground"]
make_safe = ["Off"]
"""
METER = {"instrument": "meter", "function": "dc voltage", "probe": "eht_probe"}
KINDS = {
    "measure": {"window": ["9.25 kV", "9.55 kV"]},
    "trim": {"window": ["9.25 kV", "9.55 kV"], "target": "9.40 kV", "trimmer": "RV1"},
    "least-point": {"window": ["open", "9.8 kV"], "trimmer": "RV1"},
    "wiper-sweep": {"reach": "100 V", "trimmer": "RV1"},
    "wait": {"at_most": "20 s", "drift": "200 V", "over": "5 s"},
    "capture": {},
    "soak": {"lasts": "5 s"},
    "coupled": {},
    "enter": {"entered": "V", "window": ["9.25 kV", "9.55 kV"]},
}
WHERE = ("instrument", "function", "channel", "measurement", "probe", "point", "expected", "ceiling")


def written(value):
    if isinstance(value, list):
        return "[" + ", ".join(map(written, value)) + "]"
    return str(value).lower() if isinstance(value, bool) else str(value) if isinstance(value, int) else f'"{value}"'


def table(head, keys):
    return head + "\n" + "".join(f"{key} = {written(value)}\n" for key, value in keys.items() if value is not None)


def step_text(name, kind, keys):
    """A step of a kind; what belongs to a soak's channel or an axis stands in a table of its own."""
    keys = dict(keys)
    if kind == "enter":
        keys = {key: value for key, value in keys.items() if key not in WHERE or key == "point"}
    common = {"id": name, "kind": kind, "title": name, "hazard": keys.pop("hazard", None)}
    if kind == "soak":
        channel = {"name": "c", "window": ["9.0 kV", "9.8 kV"], **{key: keys.pop(key) for key in WHERE if key in keys}}
        return table("[[step]]", {**common, **keys}) + table("[[step.channels]]", channel)
    if kind == "coupled":
        axis = {**{key: keys.pop(key) for key in WHERE if key in keys}, **KINDS["trim"]}
        other = {"instrument": "handheld", "function": "dc voltage", "point": "A1 TP1", "window": ["11 V", "13 V"]}
        other |= {"target": "12 V", "trimmer": "RV2"}
        return table("[[step]]", common) + table("[[step.axis]]", axis) + table("[[step.axis]]", other)
    return table("[[step]]", {**common, **keys})


def in_volts(keys):
    """The same figures in V instead of kV."""

    def less(value):
        return [less(it) for it in value] if isinstance(value, list) else re.sub(r"\bkV\b", "V", str(value))

    return {key: less(value) if isinstance(value, (list, str)) else value for key, value in keys.items()}


def made_wrong(draw, keys, kind):
    """One mistake in the step; gives (keys, kind)."""
    keys = dict(keys)
    what = draw.choice(["point", "point", "unit", "probe", "hazard", "hazard", "kind", "instrument", "ceiling"])
    if what == "point":
        keys["point"] = draw.choice([*NAMES, None, "", " - "])
    elif what == "unit":
        keys = in_volts(keys)
    elif what == "probe":
        keys["probe"] = draw.choice([None, "x10"])
    elif what == "hazard":
        keys["hazard"] = draw.choice([None, None, "focus", "eht"])
    elif what == "ceiling":
        keys["ceiling"] = draw.choice([None, "40 V", "10.4 kV"])
    elif what == "kind":
        kind = draw.choice(list(KINDS))
        rest = {key: value for key, value in keys.items() if key in (*WHERE, "hazard")}
        low = any(value == "9.40 V" for value in keys.values())
        keys = {**(in_volts(KINDS[kind]) if low else KINDS[kind]), **rest}
    else:
        for key in ("function", "channel", "measurement"):
            keys.pop(key, None)
        keys |= draw.choice([
            {"instrument": "scope", "channel": 1, "measurement": "mean", "probe": "x10", "expected": None},
            {"instrument": "scope", "channel": 1, "measurement": "high time", "probe": "x10", "expected": None},
            {"instrument": "meter", "function": "resistance", "probe": None, "expected": None},
            {"instrument": "handheld", "function": "ac voltage"},
            {"instrument": "handheld", "function": "dc voltage", "probe": None},
        ])  # fmt: skip
    return keys, kind


def mutant(seed):
    """The text of a file with mistakes, and what they are."""
    draw = random.Random(f"hazard {seed}")
    kind = draw.choice(list(KINDS))
    sound = {**METER, "point": "A4 TP40", "hazard": "eht", "expected": "9.40 kV", **KINDS[kind]}
    if kind in ("capture",):
        sound |= {"instrument": "scope", "channel": 1, "measurement": "mean", "function": None, "expected": None}
    keys, wrong_kind = sound, kind
    for _ in range(draw.randint(1, 3)):
        keys, wrong_kind = made_wrong(draw, keys, wrong_kind)
    expected, low = "9.40 kV", draw.random() < 0.1
    hazards = HAZARD.format(name="eht", point=draw.choice(["A4 TP40", "TP40", "a4-tp40"]), expected=expected)
    hazards += HAZARD.format(name="focus", point="A4 TP45", expected="480 V")
    harmless = {"instrument": draw.choice(["meter", "handheld"]), "function": "dc voltage", "point": "A1 TP1"}
    rail = step_text("rail", "measure", {**harmless, "window": ["11 V", "13 V"]})
    good = step_text(
        "good", "wait", {**METER, "point": "A4 TP40", "hazard": "eht", "expected": "9.40 kV", **KINDS["wait"]}
    )
    steps = [rail, good, step_text("wrong", wrong_kind, keys)]
    draw.shuffle(steps)
    after = step_text("after", "trim", {**harmless, "window": ["11 V", "13 V"], "target": "12 V", "trimmer": "RV1"})
    text = HEAD + hazards + "".join(steps) + after
    return re.sub(r"\bkV\b", "V", text) if low else text


class Unasked(AssertionError):
    """A hazardous node was read, and nobody had acknowledged that."""


class World:
    """The truth: which lead is on which node, and whether somebody acknowledged the node's hazard for this step."""

    def __init__(self, clock):
        self.clock, self.on, self.now, self.allowed = clock, True, None, set()
        self.leads = collections.defaultdict(lambda: EHT)  # left there by the job before
        self.reads = collections.Counter()

    def volts(self, lead):
        return VOLTS[self.leads[lead]] if self.on else 0.0

    def look(self, lead, guard):
        """Called at each touch of an instrument."""
        node = self.leads[lead]
        if guard is not None:
            guard()
        self.reads[node, guard is not None] += 1
        if node in (EHT, FOCUS) and (guard is None or node not in self.allowed):
            raise Unasked(f"{lead} on {node} in step {self.now and self.now.step}")

    def touched_by_hand(self):
        """The person measures a point by hand and types what is there."""
        for name in filter(None, (it.strip() for it in self.now.point.split(","))):
            if NAMES.get(name) in (EHT, FOCUS) and NAMES[name] not in self.allowed:
                raise Unasked(f"by hand on {name} in step {self.now.step}")


def lead_of(source):
    return source.instrument, getattr(source, "channel", None)


class Feed:
    def __init__(self, world, source, guard):
        self.world, self.source, self.guard = world, source, guard

    def next(self, deadline):
        self.world.look(lead_of(self.source), self.guard)
        self.world.clock.sleep_until(min(deadline, self.world.clock.now() + 0.1))
        unit = self.source.unit
        return Reading(
            self.world.volts(lead_of(self.source)) if unit == "V" else 1e-5,
            unit,
            self.world.clock.now(),
            uncertainty=0.01,
        )

    def waveform(self, deadline):
        self.world.look(lead_of(self.source), self.guard)
        return Waveform(np.full(10, self.world.volts(lead_of(self.source))), 1e-6)

    def close(self):
        pass


class Listening:
    def __init__(self, world, channels, catches, guard):
        self.feeds = {it.name: Feed(world, it.source, guard) for it in channels}
        for it in catches:
            world.look(lead_of(it.source), guard)

    def poll(self, until):
        return [Taken(name, feed.next(until)) for name, feed in self.feeds.items()]

    def close(self):
        pass


class Tools:
    name, supply = "world", None

    def __init__(self, world):
        self.world = world

    def all_doubles(self):
        return True

    def facts(self):
        return []

    def traffic(self):
        return {}

    def feed(self, source, limits, guard=None):
        self.world.look(lead_of(source), guard)
        return Feed(self.world, source, guard)

    def listen(self, channels, catches, guard=None):
        return Listening(self.world, channels, catches, guard)


class Obedient(ScriptedOperator):
    """Puts the leads where the step says, when it is said; switches, acknowledges and types as asked."""

    def __init__(self, world):
        super().__init__("Marit")
        self.world, self.looks = world, 0

    def notify(self, notice):
        super().notify(notice)
        if notice.kind == "step started":
            self.world.now, self.world.allowed, self.looks = notice, set(), 0

    def choose(self, question):
        if question.about == "connect":
            for it in self.world.now.connections:
                if it.point.strip(" -"):
                    self.world.leads[it.instrument, it.channel] = NAMES[it.point]
        self.world.on = {"power on": True, "power off": False}.get(question.about, self.world.on)
        return super().choose(question)

    def acknowledge(self, hold):
        self.world.on = self.world.on and hold.purpose != "check"
        self.world.allowed.add(NAMES[hold.test_point])
        return hold.phrase

    def enter(self, request):
        self.world.touched_by_hand()
        return f"{VOLTS[EHT]} V" if self.world.on else "0 V"

    def commands(self):
        self.looks += 1
        return [Command("skip", "enough")] if self.looks % ENOUGH == 0 else []


def outcome_of(seed, folder):
    """What became of one file: why it was refused on paper, or how its job ended."""
    file = folder / f"{seed}.toml"
    file.write_text(mutant(seed))
    try:
        made = load_procedure(file)
    except FileError as refused:
        return "refused on paper", refused.mistakes[0].problem
    clock = SimClock()
    world = World(clock)
    store = SqliteStore(folder / f"{seed}.sqlite")
    try:
        ended = run(made, Tools(world), Obedient(world), store, clock, serial="B1")
    finally:
        store.close()
    return f"ended with {ended.exit_code}", world.reads


@pytest.mark.parametrize("seed", range(COUNT))
def test_no_hazardous_point_is_read_unasked(tmp_path, seed):
    outcome_of(seed, tmp_path)


def test_many_of_them_run_and_read_the_point_behind_its_hold_point(tmp_path):
    """So that the rest of this file says something: not everything is refused, and the points are really read."""
    ends, reads = collections.Counter(), collections.Counter()
    for seed in range(60):
        end, what = outcome_of(seed, tmp_path)
        ends[end] += 1
        if isinstance(what, collections.Counter):
            reads += what
    assert ends["refused on paper"] >= 20
    assert sum(count for end, count in ends.items() if end != "refused on paper") >= 10
    assert reads[EHT, True] > 100
    assert reads[RAIL, False] > 50
