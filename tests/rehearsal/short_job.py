"""A short job over real links: doubles in a process of their own, sockets, a pseudo-terminal, real time."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from benchrig.sim_instruments.launch import launch

from benchrig.bench import Station, load_bench
from benchrig.clock import RealClock
from benchrig.commands.options import locate
from benchrig.commands.rehearse import Served, bench_at
from benchrig.procedure import load_procedure
from benchrig.records import History, SqliteStore
from benchrig.session import Outcome, run
from benchrig.session.bench_tools import BenchTools

HEAD = """
[procedure]
id = "short"
title = "Short"
unit = "Skerry 14"
"""
HAZARD = """
[hazard.eht]
title = "EHT"
test_point = "A4 TP40"
expected = "9.40 kV"
cautions = ["It can kill."]
in_place = ["Probe ground first"]
make_safe = ["Switch the unit off and discharge the anode"]
"""
RAIL = """
[[step]]
id = "rail"
kind = "measure"
title = "+12 V rail"
instrument = "handheld"
function = "dc voltage"
point = "A1 TP1"
window = ["11.4 V", "12.6 V"]
readings = 8
"""
TIMER = """
[[step]]
id = "timer"
kind = "measure"
title = "On-time"
instrument = "scope"
channel = 2
measurement = "high time"
swing = "12 V"
duration = "200 us"
point = "A4 TP42"
probe = "x10"
window = ["10 us", "20 us"]
readings = 40
"""
EHT = """
[[step]]
id = "eht"
kind = "measure"
title = "EHT"
hazard = "eht"
instrument = "meter"
function = "dc voltage"
point = "A4 TP40"
probe = "eht_probe"
expected = "9.40 kV"
window = ["8.5 kV", "10.3 kV"]
ceiling = "10.9 kV"
readings = 60
"""
AGAIN = EHT.replace('id = "eht"', 'id = "eht-again"')


class Watched:
    """An operator that passes everything on; `before` may look at each call, `told` keeps what was said."""

    def __init__(self, operator: Any, before: Any = None) -> None:
        self._operator = operator
        self._before = before or (lambda what, argument: None)
        self.told: list[Any] = []

    def acknowledge(self, hold: Any) -> Any:
        self._before("acknowledge", hold)
        return self._operator.acknowledge(hold)

    def notify(self, notice: Any) -> None:
        self.told.append(notice)
        self._before("notify", notice)
        self._operator.notify(notice)

    def kinds(self, step: str) -> list[str]:
        return [notice.kind for notice in self.told if getattr(notice, "step", "") == step and notice.kind != "reading"]

    def __getattr__(self, name: str) -> Any:
        return getattr(self._operator, name)


@dataclass
class Job:
    """A served bench, and the means to run a short procedure on it."""

    hands: Any
    station: Station
    clock: RealClock
    folder: Path
    record: Path = field(init=False)

    def __post_init__(self) -> None:
        self.record = self.folder / "record.sqlite"

    def run(self, steps: str, operator: Any) -> Outcome:
        file = self.folder / "short.toml"
        file.write_text(HEAD + (HAZARD if "hazard" in steps else "") + steps)
        store = SqliteStore(self.record)
        try:
            return run(load_procedure(file), BenchTools(self.station), operator, store, self.clock)
        finally:
            store.close()

    def history(self) -> History:
        return History(self.record)


@contextmanager
def served(folder: Path) -> Iterator[Job]:
    clock = RealClock()
    with launch("skerry14", 0) as doubles:
        bench = bench_at(load_bench(locate("skerry14/bench")), doubles.addresses)
        station = Station(bench, clock, servers=Served(doubles))
        try:
            yield Job(doubles.hands, station, clock, folder)
        finally:
            station.close()
