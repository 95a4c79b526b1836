"""The people of the trim benchmark: their literature's laws, a baseline that is no weak one, no false setting."""

import math
import random
import statistics
import sys
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
import trim_cues
from trim_people import DT, MODELS, Ballistic, Sight, Tracker, Traits

CASES = {case.name: case for case in trim_cues.CASES}


def person(kind, seed=1, travel=270.0, period=0.1, **traits):
    sampled = replace(Traits.sampled(random.Random(seed), travel), guess=1.0, **traits)
    return kind(sampled, seed, period, period / 2.0)


def test_the_crossover_frequency_falls_as_the_delay_grows_and_keeps_the_phase_margin():
    """McRuer and Jex 1967: with a pure delay T the loop w/s e^(-sT) has a phase margin of pi/2 - w T at crossover."""
    margin = math.radians(50.0)
    rates = []
    for period in (0.1, 0.33, 0.77, 2.0):
        who = person(Tracker, period=period, margin=margin, crossover=10.0, reaction=0.25)
        delay = 0.25 + 0.1 + period / 2.0 + period / 4.0
        assert math.pi / 2.0 - who.rate * delay == pytest.approx(margin)
        rates.append(who.rate)
    assert rates == sorted(rates, reverse=True)


def turn_made(who, degrees):
    """What an asked turn becomes."""
    who.begin(degrees)
    turned = 0.0
    while who.plan is not None:
        who.now += DT
        turned += who.carry()
    return turned


def test_where_a_planned_turn_ends_scatters_with_its_size():
    """Harris and Wolpert 1998: signal-dependent noise, its standard deviation in proportion to the movement."""
    spreads = []
    for size in (20.0, 40.0, 80.0):
        made = [turn_made(person(Ballistic, seed=s, scatter=0.1), size) for s in range(400)]
        assert statistics.fmean(made) == pytest.approx(size, rel=0.03)
        spreads.append(statistics.stdev(made))
    assert spreads[1] / spreads[0] == pytest.approx(2.0, rel=0.2)
    assert spreads[2] / spreads[1] == pytest.approx(2.0, rel=0.2)


def test_a_harder_turn_lasts_longer_by_fitts_law():
    """Fitts 1954: by the same time for each doubling of distance over tolerance, while the wrist is no limit."""
    who = person(Ballistic, wrist=1e9, fitts=0.12, scatter=0.0)
    lasts = []
    for size in (6.0, 14.0, 30.0, 62.0):  # log2(1 + size / 2): 2, 3, 4, 5 bits
        who.begin(size)
        lasts.append(who.plan[1])
        who.plan = None
    assert [b - a for a, b in pairwise(lasts)] == pytest.approx([0.12] * 3)


@pytest.mark.parametrize("model", sorted(MODELS))
@pytest.mark.parametrize("name", ["270 deg 1 % 10 /s", "20 turn 0.5 % 1.3 /s"])
def test_with_raw_digits_a_careful_person_comes_in_and_never_hunts(model, name):
    runs = [trim_cues.one(CASES[name], seed, "raw", model) for seed in range(12)]
    assert all(run.good for run in runs)
    assert statistics.median(run.seconds for run in runs) < 16.0


def test_the_same_seed_is_the_same_run():
    case = CASES["270 deg 1 % 3 /s"]
    assert trim_cues.one(case, 5, "bar", "glancing") == trim_cues.one(case, 5, "bar", "glancing")


@pytest.mark.parametrize("arm", ["bar", "words", "tone"])
@pytest.mark.parametrize("model", sorted(MODELS))
def test_nobody_hunts_with_the_cue(model, arm):
    for name in ("270 deg 1 % 1.3 /s", "20 turn 1 % 10 /s"):
        runs = [trim_cues.one(CASES[name], seed, arm, model) for seed in range(6)]
        assert all(run.accepted and run.good and run.seconds < 120.0 for run in runs)


@pytest.mark.parametrize(
    ("name", "ratio", "model", "seed"),
    [
        ("20 turn 1 % 3 /s", 3.0, "glancing", 13), ("20 turn 0.5 % 1.3 /s", 3.0, "ballistic", 35),
        ("20 turn 0.5 % 3 /s", 3.0, "glancing", 16), ("270 deg 0.5 % 3 /s", 4.0, "ballistic", 22),
        ("20 turn 1 % 3 /s", 4.0, "crossover", 20),
    ],
)  # fmt: skip
def test_noise_that_hides_a_counted_turn_lends_no_readings_to_the_hold(name, ratio, model, seed):
    """Runs in which readings from before the last turn once made up its hold, and the truth was outside."""
    run = trim_cues.one(replace(CASES[name], ratio=ratio), seed, "bar", model)
    assert run.accepted
    assert run.good


def test_a_number_is_not_seen_by_who_has_only_words():
    goal = trim_cues.Goal(0.0, -1.0, 1.0, "1")
    view = trim_cues.engine.view(trim_cues.engine.start(goal, 0.0), 0.0)
    assert trim_cues.Screen("words", goal, 1.0, random.Random(1)).shows(view, 1).error is None
    assert Sight().error is None
