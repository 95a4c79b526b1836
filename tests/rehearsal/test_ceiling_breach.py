"""A reading above the ceiling on real sockets: the supply switches off and is seen off; without one the person does."""

from contextlib import contextmanager
from dataclasses import replace

import pytest
from benchrig.sim_instruments.launch import launch
from benchrig.sim_instruments.operator import SimulatedOperator
from short_job import EHT, Job, Watched

from benchrig.bench import Station, load_bench
from benchrig.clock import RealClock
from benchrig.commands.options import locate
from benchrig.commands.rehearse import Served, bench_at

# The unit arrives at about 10.1 kV.
LOW_CEILING = EHT.replace('"10.3 kV"', '"9.8 kV"').replace('"10.9 kV"', '"9.90 kV"')


@contextmanager
def bench_of(folder, *, supply):
    """A served bench, with or without its supply in the bench file."""
    clock = RealClock()
    with launch("skerry14", 0, feed="supply" if supply else "wall") as doubles:
        bench = bench_at(load_bench(locate("skerry14/bench")), doubles.addresses)
        if not supply:
            kept = {name: spec for name, spec in bench.instruments.items() if name != "supply"}
            bench = replace(bench, instruments=kept)
        station = Station(bench, clock, servers=Served(doubles))
        try:
            yield Job(doubles.hands, station, clock, folder)
        finally:
            station.close()


@pytest.mark.parametrize("supply", [True, False])
def test_above_the_ceiling_the_supply_goes_off_and_is_seen_off(tmp_path, supply):
    """Its terminals are read before it is believed; the person is told to let go first, whatever the bench has."""
    with bench_of(tmp_path, supply=supply) as job, SimulatedOperator(job.hands, job.clock) as one:
        fed = []

        def before(what, argument):
            if what == "acknowledge" and argument.purpose == "check":
                fed.append(job.hands.powered())

        watched = Watched(one, before)
        outcome = job.run(LOW_CEILING, watched)
        heard = b"".join(data for _, data in job.hands.wire_log("supply")).decode("latin-1").upper()
        incidents = list(job.hands.incidents)
    assert outcome.exit_code == 1
    assert "above 9.900 kV" in outcome.words
    said = [notice.words for notice in watched.told if notice.kind == "said"]
    assert said[0].startswith("TOO HIGH. Let go.")
    seen = [words for words in said if words.startswith("Supply switched off, ") and "at its terminals" in words]
    assert len(seen) == supply
    assert fed == [not supply]  # off before make-safe only where a supply could do it
    assert ("OUTP" in heard, "MEAS" in heard) == (supply, supply)
    assert incidents == []
    assert "the stick decides" in said[-1]
