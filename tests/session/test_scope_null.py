"""The scope null: coarse first, finer by itself, counted only in the quiet phase, never across a change of scale.

Held against the simulated unit's own truth. `BENCHRIG_HEAVY=1` tries every scope grammar, and two of them on sockets.
"""

import itertools
import os
from dataclasses import replace

import pytest

from benchrig.bench import Station, load_bench
from benchrig.clock import RealClock
from benchrig.commands.options import locate
from benchrig.commands.rehearse import Served, bench_at
from benchrig.instruments import load_stand_in
from benchrig.procedure import load_procedure
from benchrig.procedure.model import Procedure
from benchrig.readings import Flag
from benchrig.records import SqliteStore
from benchrig.session import run
from benchrig.session.bench_tools import BenchTools
from benchrig.testing import SimBench

HEAVY = bool(os.environ.get("BENCHRIG_HEAVY"))
TENFIELD = {"scope-tenfield": "scope-tenfield", "scope-tenfield-a1": "scope-tenfield"}
OTHERS = {
    "scope-curve": "scope-curve", "scope-curve-dpo": "scope-curve",
    "scope-descriptor": "scope-descriptor", "scope-descriptor-c2": "scope-descriptor",
}  # fmt: skip
GRAMMARS = TENFIELD | OTHERS if HEAVY else TENFIELD
PERIOD, TEXT = 5.0, 3.0  # s of the pattern `zero`: 3 s of text, then blank (the unit's own figures)


def null() -> Procedure:
    """Only the null of the shipped procedure."""
    shipped = load_procedure(locate("skerry14/adjust"))
    return replace(shipped, steps=(shipped.step("x-zero").model_copy(update={"needs": []}),))


def bench_file(tmp_path, driver):
    file = tmp_path / "bench.toml"
    text = locate("skerry14/bench").read_text()
    file.write_text(text.replace('driver = "scope-tenfield"', f'driver = "{driver}"'))
    return file


@pytest.fixture(params=GRAMMARS)
def nulled(request, tmp_path):
    """(outcome, true volts at the end, [(reading, true volts when it was told)])."""
    seen = []
    file = bench_file(tmp_path, GRAMMARS[request.param])
    with SimBench(seed=0, bench=str(file), fit={"scope": request.param}) as bench:
        notify = bench.operator.notify

        def hear(notice):
            if notice.kind == "reading":
                seen.append((notice.reading, bench.truth("A2 TP21")))
            notify(notice)

        bench.operator.notify = hear
        outcome = bench.run(null())
        return outcome, bench.truth("A2 TP21"), seen


def test_the_null_is_found_and_by_rules(nulled):
    """In by the unit's truth; coarse first; at the end one count is a small part of the window."""
    outcome, true, seen = nulled
    assert outcome.exit_code == 0
    assert abs(true) <= 2e-3
    steps = [reading.resolution for reading, _ in seen if reading.resolution]
    assert steps[0] == max(steps)
    assert steps[0] > 50.0 * steps[-1]
    assert steps[-1] <= 1e-3


def test_only_the_quiet_phase_counts(nulled):
    """Every usable record lies wholly in it, whatever the scale; no clipped record gives a number."""
    _, _, seen = nulled
    usable = [reading for reading, _ in seen if reading.usable]
    assert len(usable) > 20
    for reading in usable:
        assert (reading.time - reading.aperture) % PERIOD >= TEXT - 0.05 or reading.time % PERIOD < 0.05
    clipped = [reading for reading, _ in seen if reading.flags & Flag.CLIPPED]
    assert clipped
    assert all(reading.value is None and reading.flags & Flag.BUSY for reading in clipped)


def test_no_row_of_readings_runs_across_a_change_of_scale(nulled):
    """The first one on another scale says so, and only that one."""
    _, _, seen = nulled
    numbers = [reading for reading, _ in seen if reading.resolution]
    for before, after in itertools.pairwise(numbers):
        if not before.resolution / 1.01 <= after.resolution <= before.resolution * 1.01:
            begins_again = after.resolution == numbers[0].resolution  # another feed, for another row
            assert after.flags & Flag.RANGE_CHANGED or begins_again
    changes = [r for r in numbers if r.flags & Flag.RANGE_CHANGED]
    assert 2 <= len(changes) < len(numbers) / 4


def test_once_fine_the_readings_are_true(nulled):
    """Hands off, at the end: within a count and the stated uncertainty."""
    _, true, seen = nulled
    last = [reading for reading, _ in seen if reading.usable][-5:]
    for reading in last:
        assert abs(reading.value - true) <= reading.resolution + 3.0 * reading.uncertainty


@pytest.mark.skipif(not HEAVY, reason="half a real minute each: BENCHRIG_HEAVY=1")
@pytest.mark.parametrize("grammar", TENFIELD)
def test_on_real_sockets(tmp_path, grammar):
    """The same through a server process, links and the reading thread."""
    bench = load_bench(bench_file(tmp_path, TENFIELD[grammar]))
    store, clock = SqliteStore(tmp_path / "record.sqlite"), RealClock()
    with load_stand_in("launch")("skerry14", 0, fit={"scope": grammar}) as doubles:
        station = Station(bench_at(bench, doubles.addresses), clock, servers=Served(doubles))
        stand_in = load_stand_in("operator")(doubles.hands, clock, seed=0)
        try:
            outcome = run(null(), BenchTools(station), stand_in, store, clock, serial="SK14-0231")
            assert outcome.exit_code == 0
            assert abs(doubles.hands.truth("A2 TP21")) <= 2e-3
        finally:
            stand_in.close()
            station.close()
            store.close()
