"""A handheld whose knob stands elsewhere: said once, in words, and waited for; never a lost link."""

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


def test_a_wrong_knob_is_said_once_and_waited_for(tmp_path):
    """Five seconds later somebody turns it, and the value comes."""
    file = tmp_path / "rail.toml"
    file.write_text(RAIL)
    with SimBench() as bench:
        handheld = bench.world.double("handheld").double.meter
        right = handheld.knob
        handheld.turn("ac voltage")
        bench.clock.at(5.0, lambda: handheld.turn(right))
        told = []
        notify = bench.operator.notify
        bench.operator.notify = lambda notice: (told.append(notice), notify(notice))
        outcome = bench.run(file)
        assert outcome.exit_code == 0
        said = [notice.words for notice in told if notice.kind == "said"]
        assert len(said) == 1
        assert "Turn its knob to dc voltage" in said[0]
        assert "gap opened" not in {notice.kind for notice in told}
