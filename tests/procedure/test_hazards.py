"""A hazard owns its points: what is refused on paper, and the ceiling that every hazardous step has."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.errors import FileError
from benchrig.procedure import load_procedure
from benchrig.procedure.points import means, normal_form

HEAD = '[procedure]\nid = "p"\ntitle = "P"\nunit = "Box"\n'
HAZARD = """
[hazard.eht]
title = "EHT"
test_point = "A4 TP40"
points = ["A4 anode clip"]
expected = "9.40 kV"
cautions = ["It kills."]
in_place = ["Ground"]
make_safe = ["Off"]
"""
METER = 'instrument = "meter"\nfunction = "dc voltage"\n'
SCOPE = 'instrument = "scope"\nchannel = 1\nmeasurement = "mean"\nprobe = "x10"\n'
ONE = {  # one step of each kind that reads, every one of them harmless by its figures
    "measure": METER + 'window = ["9.25 V", "9.55 V"]',
    "measure, ohms": 'instrument = "meter"\nfunction = "resistance"\nwindow = ["1 ohm", "2 ohm"]',
    "measure, scope": SCOPE + 'window = ["9 V", "10 V"]',
    "measure, times": SCOPE.replace('"mean"', '"high time"') + 'window = ["9 us", "10 us"]',
    "trim": METER + 'window = ["9 V", "10 V"]\ntarget = "9.4 V"\ntrimmer = "RV1"',
    "least-point": METER + 'window = ["open", "10 V"]\ntrimmer = "RV1"',
    "wiper-sweep": METER + 'trimmer = "RV1"\nreach = "1 V"',
    "capture": SCOPE,
    "wait": METER + 'at_most = "9 s"\ndrift = "1 V"',
    "enter": 'entered = "V"\nwindow = ["9 V", "10 V"]',
    "make-safe": METER,
}
AFTER = '[[step]]\nid = "set"\nkind = "trim"\ntitle = "Set"\npoint = "A1 TP1"\n' + ONE["trim"] + "\n"
SPELLINGS = [
    "A4 TP40", "a4 tp40", "A4-TP40", "A4/TP 40", " A4  TP40 ", "A4TP40", "A4 TP4O", "TP40", "Tp-40", "A4 TP040",
    "A4 TP40 tip", "А4 ТР40", "Ａ４ ＴＰ４０", "A4 Anode-Clip", "anode clip",
]  # fmt: skip
OTHERS = ["A4 TP41", "A4 TP4", "A3 TP400", "A1 TP1", "A4", "anode"]


def step(kind, keys, more=""):
    return f'[[step]]\nid = "one"\nkind = "{kind.partition(",")[0]}"\ntitle = "One"\n{more}\n{keys}\n'


def soak(where, more=""):
    channel = f'[[step.channels]]\nname = "c"\n{METER}point = "{where}"\nwindow = ["9 V", "10 V"]\n'
    return f'[[step]]\nid = "one"\nkind = "soak"\ntitle = "One"\nlasts = "9 s"\n{more}\n{channel}'


def caught(where):
    catch = f'[[step.catches]]\nname = "d"\ninstrument = "scope"\npoint = "{where}"\nlevel = "4 V"\n'
    return soak("A1 TP1") + catch


def coupled(where):
    axis = '[[step.axis]]\n{}point = "{}"\nwindow = ["9 V", "10 V"]\ntarget = "9.4 V"\ntrimmer = "{}"\n'
    axes = axis.format(METER, "A1 TP1", "RV1") + axis.format(SCOPE, where, "RV2")
    return f'[[step]]\nid = "one"\nkind = "coupled"\ntitle = "One"\n{axes}'


@pytest.fixture
def load(tmp_path):
    def go(*parts):
        file = tmp_path / "p.toml"
        file.write_text(HEAD + "".join(parts))
        return load_procedure(file)

    return go


def told(load, *parts):
    with pytest.raises(FileError) as caught:
        load(*parts)
    assert all(it.cure for it in caught.value.mistakes)
    return [it.problem for it in caught.value.mistakes]


@pytest.mark.parametrize("kind", ONE)
def test_any_step_at_a_point_of_a_hazard_needs_that_hazard(load, kind):
    """Whatever it reads there, in whatever unit: in V instead of kV, as resistance, by the scope with a 10x probe."""
    text = step(kind, ONE[kind], 'point = "A4 TP40"')
    if kind != "make-safe":  # it must name a hazard anyway
        assert any(
            "is a point of [hazard.eht], and the step declares no hazard" in it
            for it in told(load, HAZARD, text, AFTER)
        )
    load(HAZARD, step(kind, ONE[kind], 'point = "A4 TP40"\nhazard = "eht"'), AFTER)
    load(HAZARD, step(kind, ONE[kind], 'point = "A1 TP9"\nhazard = "eht"'), AFTER)


@pytest.mark.parametrize("made", [soak, caught, coupled])
def test_so_does_a_step_of_which_one_part_is_there(load, made):
    assert any("is a point of [hazard.eht]" in it for it in told(load, HAZARD, made("a4 tp40")))
    load(HAZARD, made("A1 TP2"))


@pytest.mark.parametrize("name", SPELLINGS)
def test_a_point_is_the_same_however_it_is_written(load, name):
    text = step("measure", ONE["measure"], f'point = "{name}"')
    assert any("is a point of [hazard.eht]" in it for it in told(load, HAZARD, text))
    load(HAZARD, step("measure", ONE["measure"], f'point = "{name}"\nhazard = "eht"'))


@pytest.mark.parametrize("name", OTHERS)
def test_another_point_is_another_point(load, name):
    load(HAZARD, step("measure", ONE["measure"], f'point = "{name}"'))


@given(st.lists(st.sampled_from(["A4", "TP40", "tp", "40", "anode", "1", "x"]), min_size=1, max_size=4), st.data())
def test_spaces_case_and_punctuation_never_tell_points_apart(words, data):
    """Between words any of them may stand, and between a word and a number none may, too."""
    plain = " ".join(words)
    gaps = data.draw(st.lists(st.sampled_from([" ", "  ", "-", "/", "_", ". ", ", "]), min_size=4, max_size=4))
    other = "".join(word + gap for word, gap in zip(words, gaps, strict=False))
    other = data.draw(st.sampled_from([other, other.upper(), other.lower(), other.swapcase()]))
    assert normal_form(other) == normal_form(plain)
    assert means(other, plain)


def test_a_hazard_that_is_another_one_is_not_enough(load):
    mains = HAZARD.replace("eht", "mains").replace("A4 TP40", "A1 F1").replace("A4 anode clip", "A1 F2")
    text = step("measure", ONE["measure"], 'point = "A4 TP40"\nhazard = "mains"')
    assert any("and the step declares 'mains'" in it for it in told(load, HAZARD, mains, text))


def test_a_point_belongs_to_one_hazard(load):
    other = HAZARD.replace("hazard.eht", "hazard.focus").replace("A4 TP40", "tp40")
    problems = told(load, HAZARD, other, step("measure", ONE["measure"], 'point = "A1 TP1"'))
    assert [it for it in problems if "has 'tp40' too" in it or "has 'A4 TP40' too" in it]


@pytest.mark.parametrize("kind", [kind for kind in ONE if kind not in ("enter", "make-safe")])
def test_where_a_hazard_is_declared_every_lead_has_a_place(load, kind):
    """Without one nobody is asked to move it: it would be read where it hangs."""
    assert any("where the lead of" in it for it in told(load, HAZARD, step(kind, ONE[kind]), AFTER))
    assert any("where the lead of" in it for it in told(load, HAZARD, step(kind, ONE[kind], 'point = " - "'), AFTER))
    load(step(kind, ONE[kind]), AFTER)


@pytest.mark.parametrize(("expected", "limit", "fine"), [
    ("9.40 V", "42.4 V", False), ("42.4 V", "42.4 V", False), ("42.5 V", "42.4 V", True), ("-34 V", "25 V", True),
    ("-20 V", "25 V", False), ("9400 V", "42.4 V", True),
])  # fmt: skip
def test_what_is_expected_is_above_what_hands_may_touch(load, expected, limit, fine):
    """The whole file in V instead of kV would load, and the hold point would ask for "9.40 V"."""
    hazard = HAZARD.replace("9.40 kV", expected) + f'limit = "{limit}"\n'
    text = step("wait", ONE["wait"], 'point = "A4 TP40"\nhazard = "eht"')
    if fine:
        load(hazard, text)
    else:
        assert any("would be said, and hands may go in below" in it for it in told(load, hazard, text))


def test_a_voltage_that_can_hurt_is_at_a_point_of_the_steps_own_hazard(load):
    text = METER + 'window = ["5 kV", "6 kV"]\nhazard = "eht"\n'
    assert any(
        "is no point of [hazard.eht]" in it for it in told(load, HAZARD, step("measure", text, 'point = "A4 TP44"'))
    )


def ceilings(step):
    limits = [
        getattr(part, "limits", None) for part in (*getattr(step, "axes", ()), *getattr(step, "channels", ()), step)
    ]
    ceiling = getattr(step, "ceiling", None)
    return [it.ceiling for it in limits if it is not None] or [None if ceiling is None else float(ceiling)]


@pytest.mark.parametrize("kind", ["measure", "measure, scope", "trim", "least-point", "wiper-sweep", "wait"])
@pytest.mark.parametrize(("factor", "highest"), [("", 11750.0), ("ceiling_factor = 1.1\n", 10340.0)])
def test_a_reading_far_beyond_what_is_expected_is_above_a_ceiling_that_nobody_wrote(load, kind, factor, highest):
    """1.25 times, where the hazard says nothing else; a lower one of the file's own stays."""
    text = step(kind, ONE[kind], 'point = "A4 TP40"\nhazard = "eht"')
    made = load(HAZARD + factor, text, AFTER)
    assert ceilings(made.step("one")) == [pytest.approx(highest)]
    assert ceilings(made.step("set")) == [None]
    own = load(HAZARD + factor, step(kind, ONE[kind], 'point = "A4 TP40"\nhazard = "eht"\nceiling = "10.2 kV"'), AFTER)
    assert ceilings(own.step("one")) == [10200.0]


def test_of_a_soak_only_the_hazards_own_channels_have_it(load):
    text = (
        soak("A4 TP40", 'hazard = "eht"')
        + f'[[step.channels]]\nname = "r"\n{SCOPE}point = "A1 TP1"\nwindow = ["9 V", "10 V"]\n'
    )
    assert ceilings(load(HAZARD, text).step("one")) == [11750.0, None]


def test_a_swing_has_twice_the_ceiling_and_a_time_none(load):
    for measurement, edge, ceiling in (("peak to peak", "V", 23500.0), ("high time", "us", None)):
        keys = SCOPE.replace("mean", measurement) + f'window = ["9 {edge}", "10 {edge}"]'
        made = load(HAZARD, step("measure", keys, 'point = "A4 TP40"\nhazard = "eht"'))
        assert ceilings(made.step("one")) == [ceiling]
        assert made.step("one").sources


@pytest.mark.parametrize("keys", [
    'window = ["9 kV", "12 kV"]', 'window = ["9 kV", "9.5 kV"]\nceiling = "12 kV"',
    'window = ["9 kV", "9.5 kV"]\nexpected = "12 kV"',
])  # fmt: skip
def test_nothing_looks_for_more_than_stops_the_job(load, keys):
    text = step("measure", METER + keys, 'point = "A4 TP40"\nhazard = "eht"')
    assert any("1.25 times what is expected" in it for it in told(load, HAZARD, text))
    load(HAZARD + "ceiling_factor = 1.4\n", text)
