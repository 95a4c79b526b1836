"""Which way raises the reading is told once, and the cues of the next visit say it from the start."""

import pytest
from turning_bench import turned

from benchrig.records import History
from benchrig.session.learned_ways import recalled
from benchrig.trim.types import Way

TEXT = """
[procedure]
id = "way"
title = "Way"
unit = "Box"
[[step]]
id = "way"
kind = "trim"
title = "Way"
as_found = false
instrument = "meter"
function = "dc voltage"
point = "TP1"
trimmer = "RV1"
target = "5 V"
window = ["4.9 V", "5.1 V"]
{more}
"""


@pytest.mark.parametrize(("gain", "raises"), [(0.02, Way.CLOCKWISE), (-0.02, Way.COUNTER_CLOCKWISE)])
@pytest.mark.parametrize("more", ["", "counted = true"])
def test_the_next_visit_of_the_same_unit_knows(tmp_path, gain, raises, more):
    """Of the same serial number only; and a simulated unit teaches nothing of a real one."""

    def visit(serial):
        return turned(tmp_path, TEXT.format(more=more), {"TP1": {"RV1": gain}}, {"TP1": 3.4}, serial=serial)

    outcome, _, operator, _ = visit("B1")
    assert outcome.exit_code == 0
    told = [notice.words for notice in operator.of_kind("said")]
    assert f"RV1 turned {raises} raises the dc voltage." in told
    with History(tmp_path / "record.sqlite") as history:
        assert recalled(history, "Box", "B1", simulated=True)["RV1", "dc voltage"].raises is raises
        assert recalled(history, "Box", "B1", simulated=False) == {}
        assert recalled(history, "Crate", "B1", simulated=True) == {}
        assert recalled(history, "Box", "", simulated=True) == {}
    if not more:
        _, _, again, _ = visit("B1")
        first = next(notice for notice in again.of_kind("trim") if notice.view.cue in ("turn up", "slowly up"))
        assert first.view.turn is raises
        _, _, other, _ = visit("B2")
        first = next(notice for notice in other.of_kind("trim") if notice.view.cue in ("turn up", "slowly up"))
        assert first.view.turn is Way.CLOCKWISE  # a try
