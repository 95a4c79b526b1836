"""With nobody there no lead moves: what hangs at one point of a job is not read as another."""

from benchrig.session import AbsentOperator
from benchrig.testing import SimBench

STEP = """
[[step]]
id = "{name}"
kind = "measure"
title = "{name}"
instrument = "handheld"
function = "dc voltage"
point = "{point}"
window = {window}
"""
RAILS = '[procedure]\nid = "rails"\ntitle = "Rails"\nunit = "Skerry 14"\n' + "".join(
    STEP.format(name=name, point=point, window=window)
    for name, point, window in (
        ("first", "A1 TP1", '["11.4 V", "12.6 V"]'),
        ("other", "A1 TP3", '["-12.6 V", "-11.4 V"]'),
        ("again", "A1 TP1", '["11 V", "13 V"]'),
    )
)


def test_a_lead_that_would_have_to_be_moved_is_no_verdict_about_the_other_point(tmp_path):
    """The first point is read, since the lead hangs there from the start; the other is skipped."""
    file = tmp_path / "rails.toml"
    file.write_text(RAILS)
    with SimBench(tired=False) as bench:
        bench.world.hands.power(True)
        bench.world.hands.probe("handheld", "A1 TP1")
        outcome = bench.run(file, operator=AbsentOperator())
    assert {name: it.verdict for name, it in outcome.results.items()} == {
        "first": "pass", "other": "skipped", "again": "pass",
    }  # fmt: skip
    assert outcome.results["other"].words == "the leads were not put where they belong"
    assert outcome.exit_code == 1
