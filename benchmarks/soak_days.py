"""Three days, eight channels, ten readings a second, on a simulated clock: rate, file, memory, what is found.

    python benchmarks/soak_days.py [--hours 72] [--seed 1]

The real session, soak, detectors and record, fed by instruments with a memory of their own (a minute of readings
at a time), so that the doubles' own work is left out. In the noise are hidden: two steps of three standard deviations,
one drift of three standard errors of its slope, dips of one reading, and dips of 40 ms that only the armed scope sees.
Prints what was found of that, what was found besides, and the figures; the ratio is readings a second of simulated
time, over real time.
"""

from __future__ import annotations

import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from figures import Told, options, resident

from benchrig.clock import SimClock
from benchrig.procedure.model import Procedure
from benchrig.records import History, InstrumentFacts, SqliteStore
from benchrig.session import AbsentOperator, run
from benchrig.session.notices import Notice
from benchrig.session.tools import Caught, Heard, Many
from benchrig.signals.waveform import Waveform
from benchrig.soak.findings import Columns
from benchrig.steps.soak import ArmedScope, Channel, Soak

CHANNELS, INTERVAL, MINUTE = 8, 0.1, 60.0
LEVEL, NOISE = 5.0, 1e-3
STEPS = ((1, 0.31), (2, 0.72))  # channel, part of the watch
DIPS = ((3, 0.11), (4, 0.5), (5, 0.93))
SHORT = (0.05, 0.2, 0.45, 0.66, 0.97)  # of the armed scope
DRIFTS = 6


class Memories:
    """A listener whose instruments hand over a minute of readings at a time."""

    def __init__(self, clock: SimClock, length: float, seed: int) -> None:
        self._clock = clock
        self._began = clock.now()
        self._length = length
        self._rng = np.random.default_rng(seed)
        self._count = 0
        self._short = [self._began + part * length for part in SHORT]
        self._wave = Waveform(np.linspace(5.0, 0.0, 500), 4e-4)
        readings = length / INTERVAL
        # Three standard errors of the slope of a straight line through n readings over the time T: s sqrt(12 / n) / T.
        self._slope = 3.0 * NOISE * np.sqrt(12.0 / readings) / length

    def poll(self, until: float) -> Sequence[Heard]:
        start = self._clock.now()
        self._clock.sleep_until(min(start + MINUTE, self._began + self._length + 1.0))
        n = round((self._clock.now() - start) / INTERVAL)
        times = start + INTERVAL * np.arange(n)
        heard: list[Heard] = []
        for number in range(CHANNELS):
            heard.append(Many(f"ch {number}", self._columns(number, times), "V"))
        while self._short and self._short[0] <= self._clock.now():
            heard.append(Caught("rail", self._wave, self._short.pop(0)))
        return heard

    def _columns(self, number: int, times: Any) -> Columns:
        values = LEVEL + NOISE * self._rng.standard_normal(times.size)
        for channel, part in STEPS:
            if channel == number:
                values[times >= self._began + part * self._length] += 3.0 * NOISE
        for channel, part in DIPS:
            at = self._began + part * self._length
            if channel == number and times.size and times[0] <= at < times[-1]:
                values[int((at - times[0]) / INTERVAL)] -= 12.0 * NOISE
        if number == DRIFTS:
            values += self._slope * (times - self._began)
        return Columns(times, values, np.zeros(times.size, np.uint32), 1e-5)

    def close(self) -> None:
        pass


class Bench:
    """What a session needs of an opened bench, with nothing behind it but `Memories`."""

    name = "memories"
    supply = None

    def __init__(self, listener: Memories) -> None:
        self._listener = listener

    def all_doubles(self) -> bool:
        return True

    def feed(self, *_: Any) -> Any:
        raise NotImplementedError

    def listen(self, channels: Any, catches: Any, guard: Callable[[], None] | None = None) -> Memories:
        return self._listener

    def traffic(self) -> dict[str, str]:
        return {}

    def facts(self) -> Sequence[InstrumentFacts]:
        return ()


def procedure(length: float) -> Procedure:
    limits = {"window": ["4.5 V", "5.5 V"], "acceptable": ["4.0 V", "6.0 V"], "interval": f"{INTERVAL} s"}
    channels = [
        Channel(name=f"ch {i}", instrument=f"meter{i}", function="dc voltage", **limits) for i in range(CHANNELS)
    ]
    catch = ArmedScope(name="rail", instrument="scope", level="4.5 V")
    step = Soak(id="soak", title="Days", lasts=f"{length} s", channels=channels, catches=[catch], warm_up="600 s")
    return Procedure("days", "Days", "Skerry 14", (step,))


def measure(hours: float, seed: int, told: Told) -> dict[str, float]:
    clock = SimClock()
    length = hours * 3600.0
    sizes: list[tuple[float, float]] = []

    def show(notice: Notice) -> None:
        if notice.kind == "soak" and (not sizes or clock.now() - sizes[-1][0] > 3600.0):
            sizes.append((clock.now(), resident()))

    with tempfile.TemporaryDirectory() as folder:
        record = Path(folder) / "record.sqlite"
        store = SqliteStore(record)
        began = time.perf_counter()
        outcome = run(procedure(length), Bench(Memories(clock, length, seed)), AbsentOperator(show), store, clock)
        took = time.perf_counter() - began
        store.close()
        size = record.stat().st_size
        with History(record) as history:
            step = history.steps(1)[-1]
            findings = [event["facts"] for event in history.events(1) if event["kind"] == "finding"]
            began = time.perf_counter()
            for channel in history.channels(step.row):
                history.envelope(channel)
            drawn = time.perf_counter() - began
            count = history.reading_count(1)
        details: dict[str, Any] = dict(step.result.details) if step.result else {}
    due = round(length / INTERVAL) * CHANNELS
    told.line(f"outcome                   {outcome.words}, seed {seed}")
    found = noticed(findings, details, told)
    told.line(f"readings                  {count:,} of {due:,}")
    told.line(f"readings a second         {count / took:,.0f}   ({length / took:,.0f} times real time)")
    told.line(f"bytes of file per reading {size / count:.2f}")
    told.line(f"envelopes of all channels {drawn:.2f} s")
    after_1_h = sizes[min(1, len(sizes) - 1)][1]
    told.line(f"memory after 1 h, at end  {after_1_h:.1f} MB, {sizes[-1][1]:.1f} MB")
    return found | {
        "readings": count,
        "readings missing": due - count,
        "readings a second": count / took,
        "bytes a reading": size / count,
        "trends drawn, s": drawn,
        "memory grown after 1 h, MB": sizes[-1][1] - after_1_h,
    }


def noticed(findings: list[dict[str, Any]], details: dict[str, Any], told: Told) -> dict[str, float]:
    """What was found of the hidden, and besides."""
    found = Counter((it["channel"], it["kind"]) for it in findings if it["severity"] != "note")
    hidden = Counter({(f"ch {n}", "step"): 1 for n, _ in STEPS})
    hidden += Counter({(f"ch {n}", "dip"): 1 for n, _ in DIPS})
    hidden += Counter({("rail", "caught by the scope"): len(SHORT)})
    drifting = [name for name, it in details["channels"].items() if it["drifts"]]
    slope = details["channels"][f"ch {DRIFTS}"]
    told.line(f"found of what was hidden  {(found & hidden).total()} of {hidden.total()}")
    told.line(f"missed                    {sorted(hidden - found) or 'nothing'}")
    told.line(f"found besides             {dict(found - hidden) or 'nothing'}")
    told.line(f"drift hidden in           ch {DRIFTS}, said to drift: {', '.join(drifting) or 'none'}")
    told.line(f"   measured               {slope['drift'] / slope['drift uncertainty']:.2f} standard errors")
    return {
        "hidden": hidden.total() + 1,
        "hidden and missed": (hidden - found).total() + (f"ch {DRIFTS}" not in drifting),
        "false alarms": (found - hidden).total(),
        "said to drift by chance": len(set(drifting) - {f"ch {DRIFTS}"}),
    }


def main() -> None:
    args = options(__doc__, hours=72.0, seed=1)
    told = Told(args.json)
    told.end(measure(args.hours, args.seed, told))


if __name__ == "__main__":
    main()
