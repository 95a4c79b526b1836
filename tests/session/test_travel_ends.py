"""A trimmer whose travel ends before its target: the step ends with that finding, in the record."""

from turning_bench import turned

TEXT = """
[procedure]
id = "short"
title = "Short"
unit = "Box"
[[step]]
id = "short"
kind = "trim"
title = "Short"
as_found = false
instrument = "meter"
function = "dc voltage"
point = "TP1"
trimmer = "RV1"
target = "5 V"
window = ["4.9 V", "5.1 V"]
"""


def test_the_step_fails_with_where_the_travel_ends(tmp_path):
    """The trimmer's last 135 degrees raise 3.2 V to 4.55 V, and no further."""
    outcome, _plant, operator, history = turned(tmp_path, TEXT, {"TP1": {"RV1": 0.01}}, {"TP1": 3.2}, pace=0.1)
    assert outcome.exit_code == 1
    (ended,) = operator.of_kind("step ended")
    assert ended.words.startswith("its travel ends at 4.550 V; back it off a little")
    assert any("RV1: its travel ends at 4.550 V" in it.words for it in operator.of_kind("said"))
    history.close()
