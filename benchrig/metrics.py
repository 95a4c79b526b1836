"""A running job as numbers for an existing Prometheus: the OpenMetrics text format, made by its own client library.

Rules it keeps. Values are in base units. What may not be judged, or is absent, has no value at all: a series that ends
is honest, one that goes on is not. Names of metrics are fixed; foreign words are label values only, and few.
"""

from __future__ import annotations

import copy
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Self

from .errors import FileError
from .session import notices as n

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"
MOST_LABELS = 100  # channels, instruments, open alarms
STATES = ("idle", "running", "hold_point", "high_voltage", "soaking", "ended")
CHANNEL_STATES = ("warm_up", "in", "warning", "out", "absent")


@dataclass
class NewestReading:
    """The newest of one channel. `value` None: there is none that counts."""

    unit: str
    value: float | None
    at: float
    state: str = ""


@dataclass
class Metrics:
    """What notices add up to. `take` each of them; `text` at any time."""

    job: n.JobStarted | None = None
    step: n.StepStarted | None = None
    waiting: bool = False  # at a hold point
    live: bool = False  # a hazardous point, from its acknowledgement until it was seen safe
    exit_code: int | None = None
    channels: dict[str, NewestReading] = field(default_factory=dict)
    readings: Counter[str] = field(default_factory=Counter)
    gaps: Counter[str] = field(default_factory=Counter)
    lost: dict[str, None] = field(default_factory=dict)
    alarms: dict[str, tuple[str, bool]] = field(default_factory=dict)  # key -> severity, acknowledged
    verdicts: Counter[str] = field(default_factory=Counter)
    soak: n.SoakMoved | None = None

    @property
    def state(self) -> str:
        """What the job is doing, one of `STATES`. Whether a point is live comes before all else."""
        if self.live:
            return "high_voltage"
        if self.exit_code is not None:
            return "ended"
        if self.waiting:
            return "hold_point"
        if self.step is None:
            return "idle" if self.job is None else "running"
        return "soaking" if self.step.step_kind == "soak" and self.soak is not None else "running"

    def copy(self) -> Self:
        """As it is now, for another thread."""
        return copy.deepcopy(self)

    def take(self, notice: n.Notice, now: float) -> None:
        """One notice at `now`, monotonic seconds."""
        match notice:
            case n.JobStarted():
                self._begin(notice)
            case n.StepStarted():
                self.step, self.soak, self.waiting, self.exit_code = notice, None, False, None
            case n.ReadingTaken(_, channel, reading):
                self._count(channel, 1)
                self._see(channel, NewestReading(reading.unit, reading.value if reading.usable else None, now))
            case n.SoakMoved():
                self._soak(notice, now)
            case n.HoldPointReached():
                self.waiting = True
            case n.HoldPointAnswered(_, True):
                self.waiting, self.live = False, True
            case n.MadeSafe():
                self.live = False
            case n.StepEnded():
                self.verdicts[notice.verdict] += 1
                self.soak, self.waiting = None, False
            case n.JobEnded(_, _, exit_code):
                self.exit_code, self.soak, self.waiting = exit_code, None, False
            case _:
                self._trouble(notice)

    def _begin(self, notice: n.JobStarted) -> None:
        self.job, self.step, self.soak, self.exit_code = notice, None, None, None
        self.waiting = self.live = False
        for part in (self.channels, self.readings, self.gaps, self.lost, self.alarms, self.verdicts):
            part.clear()

    def _count(self, channel: str, readings: int) -> None:
        if channel in self.readings or len(self.readings) < MOST_LABELS:
            self.readings[channel] += readings

    def _see(self, channel: str, seen: NewestReading) -> None:
        if channel in self.channels or len(self.channels) < MOST_LABELS:
            self.channels[channel] = seen

    def _soak(self, notice: n.SoakMoved, now: float) -> None:
        before = {} if self.soak is None else {it.name: it.readings for it in self.soak.channels}
        self.soak = notice
        for it in notice.channels:
            more, known = max(0, it.readings - before.get(it.name, 0)), self.channels.get(it.name)
            # A watch tells of a channel also where nothing came of it.
            at = now if more or known is None else known.at
            self._see(it.name, NewestReading(it.unit, it.value, at, it.state.replace("-", "_")))
            self._count(it.name, more)

    def _trouble(self, notice: n.Notice) -> None:
        match notice:
            case n.LinkDown(_, instrument) if len(self.gaps) < MOST_LABELS or instrument in self.gaps:
                self.gaps[instrument] += 1
                self.lost[instrument] = None
            case n.LinkUp(_, instrument):
                self.lost.pop(instrument, None)
            case n.AlarmRaised() if len(self.alarms) < MOST_LABELS or notice.key in self.alarms:
                self.alarms[notice.key] = (notice.severity, False)
            case n.AlarmCleared(_, key, _, True) | n.AlarmAcknowledged(_, key, _, _, False):
                self.alarms.pop(key, None)
            case n.AlarmAcknowledged(_, key) if key in self.alarms:
                self.alarms[key] = (self.alarms[key][0], True)

    def text(self, now: float) -> bytes:
        """The exposition. Raises FileError where the library is missing."""
        make, generate = _library()
        registry = make.CollectorRegistry(auto_describe=False)
        registry.register(_Collector(self, make, now))
        made: bytes = generate(registry)
        return made


def _library() -> tuple[Any, Any]:
    try:
        import prometheus_client.core
        from prometheus_client.openmetrics.exposition import generate_latest
    except ImportError as error:
        raise FileError("Metrics need prometheus_client.", next_step="pip install 'benchrig[metrics]'") from error
    return prometheus_client.core, generate_latest


class _Collector:
    """Hands the library what it writes."""

    def __init__(self, metrics: Metrics, make: Any, now: float) -> None:
        self._it = metrics
        self._make = make
        self._now = now

    def collect(self) -> Iterator[Any]:
        it, make = self._it, self._make
        yield self._job()
        yield _states(make, "benchrig_job_state", "What the job is doing.", {(): it.state}, STATES)
        yield from self._channels()
        yield _counted(make, "benchrig_readings", "Readings taken.", "channel", it.readings)
        yield _counted(make, "benchrig_gaps", "Times an instrument was away.", "instrument", it.gaps)
        lost = make.GaugeMetricFamily("benchrig_instruments_lost", "Instruments that are away now.", value=len(it.lost))
        yield lost
        yield _counted(make, "benchrig_steps_ended", "Steps that ended.", "verdict", it.verdicts)
        yield self._alarms()
        yield from self._times()

    def _job(self) -> Any:
        info = self._make.InfoMetricFamily("benchrig_job", "The job, its unit and its step.", labels=[])
        job, step = self._it.job, self._it.step
        if job is not None:
            facts = {"number": str(job.job), "procedure": job.procedure, "unit_serial": job.unit_serial}
            info.add_metric([], {**facts, "step": "" if step is None else step.step})
        return info

    def _channels(self) -> Iterator[Any]:
        gauge = self._make.GaugeMetricFamily
        value = gauge("benchrig_channel_value", "Newest usable value, in its base unit.", labels=["channel", "unit"])
        age = gauge("benchrig_channel_age_seconds", "Since the newest reading of the channel.", labels=["channel"])
        for name, seen in self._it.channels.items():
            if seen.value is not None:
                value.add_metric([name, seen.unit], seen.value)
            age.add_metric([name], max(0.0, self._now - seen.at))
        yield value
        yield age
        states = {(name,): seen.state for name, seen in self._it.channels.items() if seen.state}
        words = "Where the channel stands in its limits."
        yield _states(self._make, "benchrig_channel_state", words, states, CHANNEL_STATES, ["channel"])

    def _alarms(self) -> Any:
        open_ = self._make.GaugeMetricFamily(
            "benchrig_alarms_open", "Open alarms.", labels=["severity", "acknowledged"]
        )
        count = Counter(self._it.alarms.values())
        for severity in ("warning", "stop"):
            for acknowledged in (False, True):
                open_.add_metric([severity, str(acknowledged).lower()], count[severity, acknowledged])
        return open_

    def _times(self) -> Iterator[Any]:
        gauge, it = self._make.GaugeMetricFamily, self._it
        if it.soak is not None:
            yield gauge("benchrig_soak_elapsed_seconds", "Since the watch began.", value=it.soak.elapsed)
            if it.soak.remaining is not None:
                yield gauge("benchrig_soak_remaining_seconds", "Until its time is up.", value=it.soak.remaining)
        if it.exit_code is not None:
            yield gauge("benchrig_job_exit_code", "How the job ended; 0 is all in.", value=it.exit_code)


def _counted(make: Any, name: str, words: str, label: str, counts: Counter[str]) -> Any:
    family = make.CounterMetricFamily(name, words, labels=[label])
    for key, count in counts.items():
        family.add_metric([key], count)
    return family


def _states(
    make: Any, name: str, words: str, states: dict[Any, str], known: tuple[str, ...], labels: list[str] | None = None
) -> Any:
    family = make.StateSetMetricFamily(name, words, labels=labels or [])
    for values, state in states.items():
        family.add_metric(list(values), {it: it == state for it in known})
    return family
