"""A handheld whose knob stands elsewhere: said once, in words, and waited for; never a lost link."""

import pytest

from benchrig.readings import Flag
from benchrig.session import AbsentOperator
from benchrig.testing import SimBench

RAIL = """
[procedure]
id = "rail"
title = "Rail"
unit = "Skerry 14"
[[step]]
id = "rail"
kind = "measure"
title = "+12 V rail"
instrument = "handheld"
function = "dc voltage"
point = "A1 TP1"
window = ["11.4 V", "12.6 V"]
"""


@pytest.mark.parametrize("later", [5.0, 300.0])
def test_a_wrong_knob_is_said_once_and_waited_for(tmp_path, later):
    """Somebody turns it, after seconds or after minutes, and the value comes."""
    file = tmp_path / "rail.toml"
    file.write_text(RAIL)
    with SimBench() as bench:
        handheld = bench.world.double("handheld").double.meter
        right = handheld.knob
        handheld.turn("ac voltage")
        bench.clock.at(later, lambda: handheld.turn(right))
        told = []
        notify = bench.operator.notify
        bench.operator.notify = lambda notice: (told.append(notice), notify(notice))
        outcome = bench.run(file)
        assert outcome.exit_code == 0
        said = [notice.words for notice in told if notice.kind == "said"]
        assert len(said) == 1
        assert "Turn its knob to dc voltage" in said[0]
        assert "link down" not in {notice.kind for notice in told}
        readings = [notice.reading for notice in told if notice.kind == "reading"]
        elsewhere = [it for it in readings if it.flags & Flag.WRONG_FUNCTION]
        assert len(elsewhere) > later
        assert {(it.value, it.flags, it.usable) for it in elsewhere} == {(None, Flag.WRONG_FUNCTION, False)}
        with bench.history() as history:
            (channel,) = history.channels(history.steps(outcome.job)[-1].row)
            kept = history.readings(channel)
        assert [it.flags for it in kept] == [it.flags for it in readings]


def test_with_nobody_there_a_wrong_knob_is_not_waited_for(tmp_path):
    """Twenty seconds, as for any value that does not come."""
    file = tmp_path / "rail.toml"
    file.write_text(RAIL)
    with SimBench() as bench:
        bench.world.double("handheld").double.meter.turn("ac voltage")
        bench.world.hands.probe("handheld", "A1 TP1")
        outcome = bench.run(file, operator=AbsentOperator())
        assert outcome.exit_code == 1
        assert bench.clock.now() < 60.0
