"""Soak steps in procedure files: what they say, and every mistake in one reading with its line."""

import pytest

from benchrig.bench import load_bench
from benchrig.commands.options import locate
from benchrig.errors import BenchrigError
from benchrig.procedure import load_procedure
from benchrig.procedure.preflight import check

HEAD = """
[procedure]
id = "s"
title = "S"
unit = "Skerry 14"

[hazard.eht]
title = "EHT"
test_point = "A4 TP40"
expected = "9.40 kV"
cautions = ["It can kill."]
in_place = ["Covers on"]
make_safe = ["Switch off"]

"""
GOOD = """[[step]]
id = "soak"
kind = "soak"
title = "Soak"
lasts = "8 h"
warm_up = "30 min"
until = "stable"
false_alarms = 0.05
cycle = { on = "1 h", off = "2 min" }

[[step.channels]]
name = "+12 V"
instrument = "handheld"
function = "dc voltage"
point = "A1 TP1"
window = ["11.4 V", "12.6 V"]
interval = "500 ms"
away = "2 min"
drift = "100 mV"
over = "20 min"

[[step.catches]]
name = "dips"
instrument = "scope"
channel = 2
point = "A1 TP2"
probe = "x10"
level = "4.5 V"
slope = "rising"
duration = "200 ms"
"""


def load(tmp_path, text):
    place = tmp_path / "soak.toml"
    place.write_text(HEAD + text)
    return load_procedure(place)


def line_of(text, words):
    """Line of the file in which `words` stand."""
    return (HEAD + text)[: (HEAD + text).index(words)].count("\n") + 1


def test_every_key_is_understood(tmp_path):
    """In base units: seconds, volts, volts per second."""
    step = load(tmp_path, GOOD).steps[0].task
    (channel,), (catch,) = step.channels, step.catches
    assert (step.duration, step.warm_up, step.until_stable, step.false_alarms) == (28_800.0, 1800.0, True, 0.05)
    assert (step.cycle.on, step.cycle.off) == (3600.0, 120.0)
    assert (channel.interval, channel.away, channel.over) == (0.5, 120.0, 1200.0)
    assert channel.drift == pytest.approx(0.1 / 1200.0)
    assert (catch.level, catch.falling, catch.duration, catch.source.channel) == (4.5, False, 0.2, 2)


MISTAKES = [
    ('lasts = "8 h"', "lasts = 8", "lasts"),
    ('lasts = "8 h"', 'lasts = "0 s"', "lasts"),
    ('lasts = "8 h"', 'lasts = "8 V"', "lasts"),
    ('until = "stable"', 'until = "done"', "until"),
    ("false_alarms = 0.05", "false_alarms = 0", "false_alarms"),
    ('cycle = { on = "1 h", off = "2 min" }', 'cycle = { on = "1 h" }', "cycle"),
    ('window = ["11.4 V", "12.6 V"]', 'window = ["12.6 V", "11.4 V"]', "window"),
    ('interval = "500 ms"', 'interval = "0 s"', "interval"),
    ('away = "2 min"', "away = true", "away"),
    ('drift = "100 mV"', 'drift = "100 mA"', "drift"),
    ('over = "20 min"', 'over = "-1 s"', "over"),
    ('level = "4.5 V"', 'level = "4.5"', "level"),
    ('slope = "rising"', 'slope = "up"', "slope"),
    ("channel = 2", "channel = 99", "channel"),
    ('duration = "200 ms"', 'colour = "red"', "colour"),
]


@pytest.mark.parametrize(("good", "bad", "about"), MISTAKES)
def test_each_mistake_is_named_with_its_line(tmp_path, good, bad, about):
    """And what to do about it."""
    text = GOOD.replace(good, bad)
    with pytest.raises(BenchrigError) as caught:
        load(tmp_path, text)
    words = str(caught.value)
    assert f"soak.toml:{line_of(text, bad)}:" in words
    assert about in words


def test_all_mistakes_come_at_once(tmp_path):
    """Three of them in one reading."""
    text = GOOD
    for good, bad, _ in (MISTAKES[0], MISTAKES[3], MISTAKES[12]):
        text = text.replace(good, bad)
    with pytest.raises(BenchrigError) as caught:
        load(tmp_path, text)
    for _, bad, _ in (MISTAKES[0], MISTAKES[3], MISTAKES[12]):
        assert f":{line_of(text, bad)}:" in str(caught.value)


@pytest.mark.parametrize(
    ("good", "bad", "words"),
    [
        ('drift = "100 mV"\n', "", "what stable is"),
        ('warm_up = "30 min"', 'warm_up = "9 h"', "takes the whole soak"),
        ('name = "dips"', 'name = "+12 V"', "watched twice"),
        ('instrument = "scope"', 'instrument = "handheld"', "cannot read besides"),
        ('until = "stable"', 'until = "stable"\nhazard = "eht"', "needs somebody each time"),
        ('window = ["11.4 V", "12.6 V"]', 'window = ["300 V", "400 V"]', "declares no hazard"),
    ],
)
def test_what_cannot_be_done_with_nobody_there_does_not_load(tmp_path, good, bad, words):
    """Leads nobody can move, points nobody can acknowledge again, ends that never come."""
    with pytest.raises(BenchrigError, match=words):
        load(tmp_path, GOOD.replace(good, bad))


def test_one_meter_at_two_points_does_not_load(tmp_path):
    """Nobody moves its lead at night."""
    second = GOOD[GOOD.index("[[step.channels]]") : GOOD.index("[[step.catches]]")]
    second = second.replace('"+12 V"', '"+5 V"').replace("A1 TP1", "A1 TP2")
    with pytest.raises(BenchrigError, match="two points"):
        load(tmp_path, GOOD.replace("[[step.catches]]", second + "[[step.catches]]"))


def test_a_power_cycle_needs_a_supply(tmp_path):
    """On paper, before anybody touches anything."""
    import dataclasses

    work, bench = load(tmp_path, GOOD), load_bench(locate("skerry14/bench"))
    assert check(work, bench).worst != "refuse"
    without = {name: it for name, it in bench.instruments.items() if name != "supply"}
    assert check(work, dataclasses.replace(bench, instruments=without)).worst == "refuse"
