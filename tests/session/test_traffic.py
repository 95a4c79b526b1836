"""What went over the links last is in the record once trouble has ended a job, and in its export."""

import json

from benchrig.procedure import load_procedure
from benchrig.report.export import as_json_lines
from benchrig.testing import SimBench

RAIL = """
[procedure]
id = "rail"
title = "Rail"
unit = "Skerry 14"

[[step]]
id = "rail"
kind = "measure"
title = "Rail"
instrument = "meter"
function = "dc voltage"
point = "A1 TP1"
expected = "12 V"
window = ["11.4 V", "12.6 V"]
"""


def run_with(tmp_path, spoil):
    """(outcome, what is exported) of the step on a bench that was spoilt."""
    file = tmp_path / "rail.toml"
    file.write_text(RAIL)
    with SimBench(tired=False) as bench:
        spoil(bench)
        outcome = bench.run(load_procedure(file))
        with bench.history() as history:
            return outcome, [json.loads(line) for line in as_json_lines(history, outcome.job)]


def test_a_lost_instrument_is_trouble_and_no_absent_value_and_leaves_its_last_words_in_the_record(tmp_path):
    """Question and answer as they went over the wire, up to the loss; the rail is not to blame."""
    outcome, lines = run_with(tmp_path, lambda bench: bench.clock.at(0.5, bench.world.double("meter").unplug))
    assert outcome.exit_code == 4
    assert "did not come back" in outcome.words
    (kept,) = [it for it in lines if it["kind"] == "traffic"]
    assert kept["instrument"] == "meter"
    assert "*IDN?" in kept["dialogue"]
    assert "34401A" in kept["dialogue"]


def test_a_job_without_trouble_keeps_none(tmp_path):
    outcome, lines = run_with(tmp_path, lambda bench: None)
    assert outcome.exit_code == 0
    assert not [it for it in lines if it["kind"] == "traffic"]
