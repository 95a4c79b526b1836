"""A whole job in a few lines, for users' own tests."""

import benchrig
from benchrig.commands.options import locate
from benchrig.records import History, SqliteStore
from benchrig.session import ScriptedOperator
from benchrig.testing import SimBench, SimClock


def test_a_job_runs_in_process_and_its_record_can_be_read():
    """The shipped procedure on the simulated bench, far faster than the clock of the job."""
    with SimBench(seed=0) as bench:
        outcome = bench.run("skerry14/adjust")
        with bench.history() as history:
            assert history.job(outcome.job).outcome == outcome.words
            assert history.reading_count(outcome.job) > 100
        assert bench.world.hands.incidents == []
    assert outcome.exit_code == 0
    assert outcome.results["rail-plus-12"].verdict == "pass"


PROCEDURE = """
[procedure]
id = "p"
title = "P"
unit = "Skerry 14"
[hazard.eht]
title = "EHT"
test_point = "A4 TP40"
expected = "9.40 kV"
cautions = ["It can kill."]
in_place = ["Probe ground first"]
make_safe = ["Switch off and discharge"]
[[step]]
id = "rail"
kind = "measure"
title = "+12 V"
instrument = "handheld"
function = "dc voltage"
point = "A1 TP1"
window = ["11.4 V", "12.6 V"]
[[step]]
id = "eht"
kind = "measure"
title = "EHT"
hazard = "eht"
instrument = "meter"
probe = "eht_probe"
function = "dc voltage"
point = "A4 TP40"
expected = "9.40 kV"
window = ["9.25 kV", "9.55 kV"]
"""


def test_run_takes_a_bench_file_as_it_is(tmp_path):
    """The public call: procedure, bench, operator, store, clock. One who refuses the hold point gets exit code 5."""
    file = tmp_path / "p.toml"
    file.write_text(PROCEDURE)
    store = SqliteStore(tmp_path / "r.sqlite")
    outcome = benchrig.run(
        benchrig.load_procedure(file),
        benchrig.load_bench(locate("skerry14/bench")),
        ScriptedOperator(refuse=True),
        store,
        SimClock(),
    )
    store.close()
    assert outcome.exit_code == 5
    assert outcome.results["rail"].verdict == "pass"
    with History(tmp_path / "r.sqlite") as history:
        assert history.job(outcome.job).exit_code == 5
        assert not history.acknowledgements(outcome.job)[0]["acknowledged"]
