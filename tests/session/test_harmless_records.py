"""A step that declares no hazard keeps its hands off hazardous volts, whatever it measures on the scope's record."""

from benchrig.testing import SimBench

TEXT = """
[procedure]
id = "times"
title = "Times"
unit = "Amplifier"

[[step]]
id = "on"
kind = "measure"
title = "On-time"
instrument = "scope"
channel = 1
measurement = "high time"
swing = "12 V"
duration = "120 us"
point = "{point}"
probe = "x10"
window = ["10 us", "20 us"]
conditions = ["powered"]
"""


def test_a_time_on_a_record_of_hazardous_volts_ends_the_job(tmp_path):
    """Seconds are no volts, and no window of the step names any: the record itself is looked at."""
    file = tmp_path / "times.toml"
    file.write_text(TEXT.format(point="A1 TP1"))
    with SimBench("amplifier", seed=0) as bench:
        outcome = bench.run(file, serial="X1")
        assert outcome.exit_code == 1, outcome.words
        assert "it can hurt" in outcome.words
        with bench.history() as history:
            said = [it["facts"]["words"] for it in history.events(outcome.job) if it["kind"] == "said"]
        assert any("Let go" in words for words in said)
