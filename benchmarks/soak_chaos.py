"""A soak over loopback servers and a pseudo-terminal while every few seconds something breaks.

    python benchmarks/soak_chaos.py [--minutes 10] [--every 10]

Cables are pulled, answers garbled, cut short, swallowed and late, instruments frozen and rebooted, in turn, on one
instrument after the other, one every so many seconds. Prints how often, what became of it, and the figures: no crash;
each loss has its gap in the record; no reading was accepted that the rail never had; the processor's share.
"""

from __future__ import annotations

import json
import resource
import tempfile
import threading
import time
from collections import Counter
from pathlib import Path
from typing import Any

from figures import Told, options

from benchrig.bench import Station, load_bench
from benchrig.clock import RealClock
from benchrig.commands.options import locate
from benchrig.commands.rehearse import Served, bench_at
from benchrig.instruments import load_stand_in
from benchrig.procedure.model import Procedure
from benchrig.records import History, SqliteStore
from benchrig.session import AbsentOperator, run
from benchrig.session.bench_tools import BenchTools
from benchrig.steps.soak import ArmedScope, Channel, Soak

# name of the fault on a cable, its settings
FAULTS: tuple[tuple[str, tuple[float, ...]], ...] = (
    ("unplug", ()),
    ("garble", (3,)),
    ("truncate", (3,)),
    ("drop", (2,)),
    ("delay", (1.5, 2)),
    ("freeze", (6.0,)),
    ("brown_out", (1.0,)),
)
INSTRUMENTS = ("meter", "handheld", "scope")
AWAY = 4.0  # s for which a cable stays pulled
RAIL = {
    "function": "dc voltage", "point": "A1 TP1",
    "window": ["11.4 V", "12.6 V"], "acceptable": ["10.8 V", "13.2 V"], "ceiling": "20 V",
}  # fmt: skip


def procedure(seconds: float) -> Procedure:
    """+12 V by two meters, its dips by the scope."""
    channels = [
        Channel(name="meter", instrument="meter", expected="12 V", interval="0.1 s", **RAIL),
        Channel(name="handheld", instrument="handheld", interval="0.3 s", **RAIL),
    ]
    catch = ArmedScope(name="dips", instrument="scope", point="A1 TP1", probe="x10", swing="20 V", level="10 V")
    step = Soak(
        id="soak", title="Broken cables", lasts=f"{seconds} s", channels=channels, catches=[catch], warm_up="1 s"
    )
    return Procedure("broken", "Broken cables", "Skerry 14", (step,))


def break_things(hands: Any, every: float, ended: threading.Event, done: Counter[str]) -> None:
    """One fault after the other until the end."""
    number = 0
    while not ended.wait(every):
        fault, settings = FAULTS[number % len(FAULTS)]
        name = INSTRUMENTS[(number // len(FAULTS) + number) % len(INSTRUMENTS)]
        hands.cable(name, fault, *settings)
        done[f"{fault} {name}"] += 1
        if fault == "unplug":
            ended.wait(AWAY)
            hands.cable(name, "plug")
        number += 1


def measure(minutes: float, every: float, told: Told) -> dict[str, float]:
    clock, done, ended = RealClock(), Counter[str](), threading.Event()
    with tempfile.TemporaryDirectory() as folder, load_stand_in("launch")("skerry14", 0) as doubles:
        for jack in ("meter", "handheld", "scope.1"):
            doubles.hands.probe(jack, "A1 TP1", "x10" if jack == "scope.1" else "")
        truth = doubles.hands.truth("A1 TP1")
        station = Station(
            bench_at(load_bench(locate("skerry14/bench")), doubles.addresses), clock, servers=Served(doubles)
        )
        store = SqliteStore(Path(folder) / "record.sqlite")
        breaker = threading.Thread(target=break_things, args=(doubles.hands, every, ended, done), daemon=True)
        breaker.start()
        cpu, began = sum(resource.getrusage(resource.RUSAGE_SELF)[:2]), time.perf_counter()
        seen: list[Any] = []
        operator = AbsentAtLeads(seen.append)
        outcome = run(procedure(minutes * 60.0), BenchTools(station), operator, store, clock)
        cpu, took = sum(resource.getrusage(resource.RUSAGE_SELF)[:2]) - cpu, time.perf_counter() - began
        ended.set()
        breaker.join(AWAY + 1.0)
        station.close()
        store.close()
        found = became(Path(folder) / "record.sqlite", outcome.words, done, seen, truth, told)
    told.line(f"processor            {100.0 * cpu / took:.1f} % of a core for {took:.0f} s")
    return found | {"processor, % of a core": 100.0 * cpu / took}


class AbsentAtLeads(AbsentOperator):
    """Nobody; the leads hang where they should already."""

    attended = True

    def choose(self, question: Any) -> str | None:
        return str(question.choices[0])


def became(record: Path, words: str, done: Counter[str], seen: list[Any], truth: float, told: Told) -> dict[str, float]:
    """What the record says of it."""
    with History(record) as history:
        step = history.steps(1)[-1]
        gaps = history.gaps(1)
        counts, wrong = {}, []
        for channel in history.channels(step.row):
            readings = history.readings(channel)
            counts[channel.name] = (len(readings), sum(it.usable for it in readings))
            wrong += [it for it in readings if it.usable and abs((it.value or 0.0) - truth) > 0.2]
        findings = Counter(e["facts"]["kind"] for e in history.events(1) if e["kind"] == "finding")
    lost = sum(notice.kind == "link down" for notice in seen)
    closed = sum(gap["closed_us"] is not None for gap in gaps)
    told.line(f"outcome              {words}, verdict {step.result.verdict if step.result else '?'}")
    told.line(f"faults               {done.total()}: {json.dumps(done)}")
    told.line(f"losses told, gaps    {lost}, {len(gaps)}; closed {closed}")
    told.line(f"readings, usable     {counts}")
    told.line(f"accepted and false   {len(wrong)} {[it.value for it in wrong[:5]]}")
    told.line(f"findings             {dict(findings)}")
    return {
        "faults": done.total(),
        "losses told": lost,
        "gaps": len(gaps),
        "gaps missing or open": abs(lost - len(gaps)) + len(gaps) - closed,
        "readings": sum(count for count, _ in counts.values()),
        "false readings accepted": len(wrong),
    }


def main() -> None:
    args = options(__doc__, minutes=10.0, every=10.0)
    told = Told(args.json)
    told.end(measure(args.minutes, args.every, told))


if __name__ == "__main__":
    main()
