"""A bench of a few lines for turning: trimmers that move values linearly, a meter of any pace, a simulated hand.

On a simulated clock; the hand is the simulated operator's own, which acts on nothing but what it is told.
"""

from __future__ import annotations

import random

from benchrig.sim_instruments.operator import SimulatedOperator

from benchrig.clock import SimClock
from benchrig.procedure import load_procedure
from benchrig.readings import Reading
from benchrig.records import History, SqliteStore
from benchrig.session import run


class Plant:
    """`effects[value][trimmer]` is volts for each degree; a value follows a turn after `lag` seconds."""

    def __init__(self, clock, effects, at_zero, *, travel=270.0, start=135.0, play=0.0, lag=0.0, noise=1e-4, seed=0):
        self.clock, self.effects, self.at_zero = clock, effects, at_zero
        self.travel, self.play, self.lag, self.noise = travel, play, lag, noise
        self.shafts = dict.fromkeys(next(iter(effects.values())), start)
        self.wipers = dict(self.shafts)
        self.moves = [(-1e9, dict(self.wipers))]
        self.marks = {}
        self.turns = []  # (trimmer, degrees) as the hand made them
        self.random = random.Random(seed)

    # hands, as the simulated operator knows them

    def controls(self):
        return dict.fromkeys(self.shafts, self.travel)

    def turn(self, trimmer, degrees):
        shaft = min(max(self.shafts[trimmer] + degrees, 0.0), self.travel)
        moved, self.shafts[trimmer] = shaft - self.shafts[trimmer], shaft
        half = self.play / 2.0
        self.wipers[trimmer] = min(max(self.wipers[trimmer], shaft - half), shaft + half)
        self.moves.append((self.clock.now(), dict(self.wipers)))
        self.turns.append((trimmer, degrees))
        return moved

    def position(self, trimmer):
        return self.shafts[trimmer]

    def mark(self, trimmer):
        self.marks[trimmer] = self.shafts[trimmer]
        return self.shafts[trimmer]

    def probes(self):
        return {}

    def probe(self, *where):
        pass

    def powered(self):
        return True

    def power(self, on):
        pass

    def discharge(self):
        pass

    # what the meter sees

    def value(self, name):
        seen = next(wipers for at, wipers in reversed(self.moves) if at <= self.clock.now() - self.lag)
        middle = self.travel / 2.0
        return self.at_zero[name] + sum(e * (seen[t] - middle) for t, e in self.effects[name].items())

    def true(self, name):
        """Where the value comes to rest."""
        middle = self.travel / 2.0
        return self.at_zero[name] + sum(e * (self.wipers[t] - middle) for t, e in self.effects[name].items())


class Feed:
    """A reading of `value` every `pace` seconds."""

    def __init__(self, plant, name, pace):
        self.plant, self.name, self.pace = plant, name, pace
        self.due = plant.clock.now() + pace

    def next(self, deadline):
        clock = self.plant.clock
        if self.due > deadline:
            clock.sleep_until(deadline)
            return None
        clock.sleep_until(self.due)
        self.due += self.pace
        noisy = self.plant.value(self.name) + self.plant.random.gauss(0.0, self.plant.noise)
        return Reading(noisy, "V", clock.now(), resolution=1e-5, aperture=0.8 * self.pace, uncertainty=1e-4)

    def waveform(self, deadline):
        return None

    def close(self):
        pass


class Tools:
    name = "a few lines"
    supply = None

    def __init__(self, plant, pace):
        self.plant, self.pace = plant, pace

    def all_doubles(self):
        return True

    def facts(self):
        return []

    def feed(self, source, limits, guard=None):
        return Feed(self.plant, source.point, self.pace)


class Ears:
    """An operator that also keeps what it is told, with the moment."""

    def __init__(self, operator, clock):
        self._operator, self._clock, self.told = operator, clock, []

    def __getattr__(self, name):
        return getattr(self._operator, name)

    def notify(self, notice):
        self.told.append((self._clock.now(), notice))
        self._operator.notify(notice)

    def of_kind(self, kind):
        return [notice for _, notice in self.told if notice.kind == kind]


def turned(tmp_path, text, effects, at_zero, *, pace=0.1, seed=0, serial="", **plant):
    """Run the procedure `text`: (outcome, plant, operator with what it was told, history)."""
    file, record = tmp_path / "turning.toml", tmp_path / "record.sqlite"
    file.write_text(text)
    clock = SimClock()
    plant = Plant(clock, effects, at_zero, seed=seed, **plant)
    operator = Ears(SimulatedOperator(plant, clock, seed=seed), clock)
    store = SqliteStore(record)
    try:
        outcome = run(load_procedure(file), Tools(plant, pace), operator, store, clock, serial=serial)
    finally:
        store.close()
    return outcome, plant, operator, History(record)


def visits(operator):
    """How often the hand went to another trimmer than the one before."""
    names = [advice.trimmer for advice in operator.of_kind("turn advised")]
    return sum(1 for before, name in zip([None, *names], names, strict=False) if name != before)
