"""Procedure files: what is right is read, and what is wrong is told, all of it, with its line and its cure."""

from pathlib import Path
from typing import Literal

import pytest

from benchrig.errors import FileError
from benchrig.procedure import load_procedure
from benchrig.procedure.checks import AC_LIMIT, DC_LIMIT, PEAK_LIMIT
from benchrig.procedure.quantities import MeterSource, ScopeSource, TypedSource
from benchrig.procedure.step import Step, kinds
from benchrig.steps.coupled import Coupled

HEAD = '[procedure]\nid = "p"\ntitle = "P"\nunit = "Box"\n'
HAZARD = (
    '[hazard.eht]\ntitle = "EHT"\ntest_point = "TP40"\nexpected = "9.40 kV"\n'
    'cautions = ["It kills."]\nin_place = ["Ground"]\nmake_safe = ["Off"]\n'
)


def step(**keys):
    """A sound measuring step, with `keys` instead; None leaves a key out."""
    usual = {
        "id": '"rail"', "kind": '"measure"', "title": '"Rail"', "instrument": '"meter"', "function": '"dc voltage"',
        "window": '["11.4 V", "12.6 V"]',
    }  # fmt: skip
    lines = [f"{key} = {value}" for key, value in {**usual, **keys}.items() if value is not None]
    return "[[step]]\n" + "\n".join(lines) + "\n"


def trim(**keys):
    return step(**{"kind": '"trim"', "target": '"12 V"', "trimmer": '"RV1"', **keys})


@pytest.fixture
def load(tmp_path):
    def go(text):
        file = tmp_path / "p.toml"
        file.write_text(text)
        return load_procedure(file)

    return go


def mistakes(load, text):
    with pytest.raises(FileError) as caught:
        load(text)
    assert caught.value.exit_code == 2
    return caught.value.mistakes


@pytest.mark.parametrize(
    ("text", "where", "words"),
    [
        (HEAD + step(kind='"polish"'), "step[1].kind", "not known"),
        (HEAD + step(window=None), "step[1].window", "missing"),
        (HEAD + step(window='["11 A", "12 A"]'), "step[1].window[1]", "in A"),
        (HEAD + step(window="[11, 12]"), "step[1].window[1]", "no unit"),
        (HEAD + step(window='["12.6 V", "11.4 V"]'), "step[1].window", "above the high edge"),
        (HEAD + step(window='["open", "open"]'), "step[1].window", "open on both sides"),
        (HEAD + step(acceptable='["11.5 V", "13 V"]'), "step[1].acceptable", "beyond the acceptable"),
        (HEAD + step(ceiling='"12 V"'), "step[1].ceiling", "not above"),
        (HEAD + step() + step(), "step[2].id", "already"),
        (HEAD + step(instrument=None), "step[1].function", "No instrument"),
        (HEAD + step(function=None), "step[1].instrument", "must be said what is read"),
        (HEAD + step(function='"dc volts"'), "step[1].function", "not known"),
        (HEAD + step(channel="1"), "step[1].channel", "has no `channel`"),
        (HEAD + step(needs='["later"]'), "step[1].needs[1]", "not an earlier step"),
        (HEAD + step(needs='["rail"]'), "step[1].needs[1]", "not an earlier step"),
        (HEAD + step(disturbs='["rail"]'), "step[1].disturbs[1]", "not another step"),
        (HEAD + step(cleans='["RV9"]'), "step[1].cleans[1]", "No step turns"),
        (HEAD + step(hints='{ absnt = "x" }'), "step[1].hints.absnt", "not known"),
        (HEAD + step(hazard='"eht"'), "step[1].hazard", "no [hazard.eht]"),
        (HEAD + trim(target='"13 V"'), "step[1].target", "outside the window"),
        (HEAD + trim(window='["11 V", "open"]'), "step[1].target", "closed on both sides"),
        (HEAD + trim(trimmer=None), "step[1].trimmer", "missing"),
        (HEAD + trim(travel='"2 V"'), "step[1].travel", ""),
        (HEAD + step(colour='"red"'), "step[1].colour", "not a key"),
        (HEAD.replace('"P"', '"P"\nserial = "["') + step(), "procedure.serial", "regular expression"),
        (HEAD + '[[step]]\nid = "s"\nkind = "make-safe"\ntitle = "S"\n', "step[1]", "what is made safe"),
        (HEAD, "step", ""),
        ("", "", "empty"),
        ("[procedure\n", "", "Not TOML"),
    ],
)
def test_each_mistake_is_told_with_place_and_cure(load, text, where, words):
    """And nothing is started."""
    found = mistakes(load, text)
    assert [m for m in found if m.path == where and words in m.problem], [str(m) for m in found]
    assert all(m.cure for m in found)


def test_all_mistakes_come_at_once_in_the_order_of_the_file(load):
    text = HEAD + step(window='["11 A", "12 A"]') + step(id='"b"', needs='["no"]') + step(id='"b"', ceiling='"1 V"')
    lines = [m.line for m in mistakes(load, text)]
    assert len(lines) >= 4
    assert lines == sorted(lines)
    assert len(set(lines)) >= 3


DANGER = [
    ("dc voltage", DC_LIMIT, {}), ("ac voltage", AC_LIMIT, {}),
    (None, PEAK_LIMIT, {"channel": "1", "measurement": '"mean"'}),
]  # fmt: skip


@pytest.mark.parametrize(("function", "limit", "keys"), DANGER)
@pytest.mark.parametrize("sign", [1, -1])
def test_a_dangerous_value_needs_a_declared_hazard(load, function, limit, keys, sign):
    """60 V DC, 30 V AC RMS, 42.4 V peak (meter manuals): at the limit it loads, above it does not."""
    named = f'"{function}"' if function else None
    for volts, fine in ((limit, True), (limit * 1.01, False)):
        edges = sorted((sign * volts, sign * volts * 0.5))
        window = f'["{edges[0]:.3f} V", "{edges[1]:.3f} V"]'
        text = HEAD + step(function=named, window=window, **keys)
        if fine:
            load(text)
        else:
            assert "can hurt" in mistakes(load, text)[0].problem
            load(HEAD + HAZARD + step(function=named, window=window, hazard='"eht"', point='"TP40"', **keys))


@pytest.mark.parametrize("key", ["target", "expected", "ceiling"])
def test_the_danger_rule_looks_at_every_place_a_voltage_can_stand(load, key):
    volts = '"9.40 kV"'
    keys = {key: volts}
    if key == "target":
        keys["window"] = '["1 V", "10 kV"]'
    assert any("can hurt" in m.problem for m in mistakes(load, HEAD + trim(**keys)))


@pytest.mark.parametrize("file", sorted(Path("procedures").glob("*/*.toml")), ids=str)
def test_every_procedure_that_we_ship_loads(file):
    if file.name == "bench.toml":
        pytest.skip("a bench file")
    procedure = load_procedure(file)
    assert procedure.steps
    assert len(procedure.digest) == 64


def test_every_kind_of_step_has_a_file_and_can_be_run():
    files = {path.stem for path in Path("benchrig/steps").glob("[!_]*.py")}
    assert files == {kind.__module__.removeprefix("benchrig.steps.") for kind in kinds().values()}
    assert all(kind.run is not Step.run for kind in kinds().values())
    assert {"confirm", "measure", "trim", "soak"} <= set(kinds())


def test_two_kinds_cannot_have_one_name():
    with pytest.raises(TypeError, match="two kinds of step called 'trim'"):
        type("Again", (Step,), {"__annotations__": {"kind": Literal["trim"]}, "kind": "trim"})


def test_values_arrive_in_base_units(load):
    procedure = load(
        HEAD
        + trim(id='"a"', travel='"20 turns"')
        + '[[step]]\nid = "b"\nkind = "coupled"\ntitle = "T"\n'
        + '[[step.axis]]\nentered = "mm"\ntarget = "18.0 mm"\nwindow = ["17.5 mm", "18.5 mm"]\ntrimmer = "RV31"\n'
        + '[[step.axis]]\ninstrument = "scope"\nchannel = 2\nmeasurement = "high time"\ntarget = "14 us"\n'
        + 'window = ["13 us", "15 us"]\ntrimmer = "RV43"\n'
    )
    assert procedure.step("a").turned.travel == 7200.0
    coupled = procedure.step("b")
    assert isinstance(coupled, Coupled)
    typed, scope = coupled.axes
    assert isinstance(typed.source, TypedSource)
    assert (typed.target, typed.source.unit, typed.source.shown_unit) == (0.018, "m", "mm")
    assert isinstance(scope.source, ScopeSource)
    assert scope.target == pytest.approx(14e-6)
    assert isinstance(procedure.step("a").source, MeterSource)
