"""Mistakes in single kinds of step: each is told at its place, with a cure, and nothing is guessed in its stead."""

import pytest

from benchrig.errors import FileError
from benchrig.procedure import load_procedure

HEAD = '[procedure]\nid = "p"\ntitle = "P"\nunit = "Box"\n'
METER = {"instrument": '"meter"', "function": '"dc voltage"'}
SCOPE = {"instrument": '"scope"', "channel": "1", "measurement": '"mean"'}
TYPED = {"entered": '"V"'}
WINDOW = {"window": '["11 V", "13 V"]'}


def step(kind, identity="s", **keys):
    lines = [f"{key} = {value}" for key, value in keys.items()]
    return f'[[step]]\nid = "{identity}"\nkind = "{kind}"\ntitle = "T"\n' + "\n".join(lines) + "\n"


HUM = SCOPE | {"measurement": '"hum"', "window": '["0 mV", "8 mV"]'}
WIPER = {"trimmer": '"RV1"', "reach": '"1 V"'}


@pytest.mark.parametrize(
    ("text", "where", "words"),
    [
        (step("enter", entered='"furlong"', window='["1 m", "2 m"]'), "step[1].entered", "furlong"),
        (
            step("measure", instrument='"scope"', measurement='"mean"', **WINDOW),
            "step[1].measurement",
            "No scope channel",
        ),
        (step("measure", **HUM), "step[1].measurement", "only a hum, has a band"),
        (
            step("measure", **SCOPE, **WINDOW, band='["90 Hz", "130 Hz"]'),
            "step[1].measurement",
            "only a hum, has a band",
        ),
        (step("measure", **HUM, band='["130 Hz", "90 Hz"]'), "step[1].band", "upside down"),
        (step("observe", choices='["lit", "dark"]', good='["bright"]'), "step[1].good[1]", "not one of the choices"),
        (
            "".join(step("measure", name, **METER, **WINDOW) for name in "abc")
            + step("derive", operation='"difference"', of='["a", "b", "c"]', **WINDOW),
            "step[4].of",
            "made of two results",
        ),
        (step("wait", at_most='"60 s"', **METER), "step[1]", "needs an instrument and a drift"),
        (step("wait", at_most='"60 s"', drift='"1 V"'), "step[1]", "needs an instrument and a drift"),
        (step("wait", at_most='"60 s"', drift='"1 V"', **TYPED), "step[1].entered", "An instrument must read this"),
        (step("wiper-sweep", **WIPER, **TYPED), "step[1].entered", "An instrument must read this"),
        (step("wiper-sweep", **(WIPER | {"reach": '"0 V"'}), **METER), "step[1].reach", "both sides"),
        (step("wiper-sweep", **WIPER, **SCOPE, quiet="true"), "step[1].quiet", "cannot be followed"),
        (step("capture", **METER), "step[1]", "Only a scope captures"),
        (step("make-safe", **SCOPE), "step[1]", "Only a meter shows"),
    ],
)
def test_each_kind_of_step_says_what_it_cannot_do(tmp_path, text, where, words):
    file = tmp_path / "p.toml"
    file.write_text(HEAD + text)
    with pytest.raises(FileError) as caught:
        load_procedure(file)
    [found] = [m for m in caught.value.mistakes if m.path == where and words in m.problem]
    assert found.cure
