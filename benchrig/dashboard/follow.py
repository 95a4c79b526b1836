"""Follows a record that another process writes: what is new in it becomes notices, as if the job ran here.

Rules it keeps. It reads only, a little at a time, and never holds the writer up. What it cannot know it does not make
up: a trim shows its readings but no gauge, for the record holds no cues. Where the writer has fallen silent it says so
and shows no value as the present one.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Protocol

from ..records.history import ChannelRow, JobRow, StepRow
from ..records.new_readings import Cursor, Stretch
from ..session import notices as n

_Between = tuple[int, n.Notice]  # the sitting, and what happened in it
SILENT = 10.0  # s after which the writer is said to have fallen silent; it notes that it lives each second


class FollowedRecord(Protocol):
    """What is asked of a record; `benchrig.records.History` is one."""

    def jobs(self, *, serial: str | None = None, limit: int = 1000) -> list[JobRow]: ...

    def steps(self, job: int) -> list[StepRow]: ...

    def channels(self, step_row: int) -> list[ChannelRow]: ...

    def news(self, channel: ChannelRow, since: Cursor) -> tuple[list[Stretch], Cursor]: ...

    def events(self, job: int, after: int = 0) -> list[Mapping[str, Any]]: ...

    def gaps(self, job: int, after: int = 0) -> list[Mapping[str, Any]]: ...

    def acknowledgements(self, job: int, after: int = 0) -> list[Mapping[str, Any]]: ...

    def alive(self, job: int) -> tuple[int, float] | None: ...


class Page(Protocol):
    """Where it goes; `DashboardPage` is one."""

    def show(self, notice: n.Notice) -> None: ...

    def trace(self, channel: str, unit: str, time: float, least: float, greatest: float) -> None: ...


@dataclass
class FollowedChannel:
    """How far a channel has been read, and its newest."""

    row: ChannelRow
    seen: Cursor = field(default_factory=Cursor)
    readings: int = 0
    value: float | None = None


@dataclass
class Followed:
    """How far the newest job has been read."""

    job: int
    steps: dict[int, bool] = field(default_factory=dict)  # row -> ended
    gap: int = 0  # the newest, as `event` and `answer`
    open_gaps: set[int] = field(default_factory=set)
    event: int = 0
    answer: int = 0
    channels: dict[int, FollowedChannel] = field(default_factory=dict)
    stands: Mapping[str, Any] | None = None  # the newest word of how a watch stands
    stood_at: tuple[int, float] = (0, 0.0)  # the sitting and the moment in it of that word
    alive: tuple[int, float] | None = None  # what the writer said last of its being alive
    heard: float | None = None  # when that changed while we looked; None: not yet
    began: float = 0.0  # when we began to look
    told_silent: bool = False
    ended: bool = False


class Follower:
    """Follows the newest job of `record` on `page`, or of the unit `serial`. Call `look` again and again."""

    def __init__(self, record: FollowedRecord, page: Page, serial: str | None = None) -> None:
        self.record = record
        self._serial = serial
        self._page = page
        self._it: Followed | None = None

    def look(self, now: float) -> None:
        """Show what is new at `now`, monotonic seconds. Raises StoreError where the record cannot be read."""
        jobs = self.record.jobs(serial=self._serial, limit=1)
        if not jobs:
            return
        job = jobs[0]
        if self._it is None or self._it.job != job.id:
            self._it = Followed(job.id, began=now)
            self._page.show(n.JobStarted(job.id, job.title or job.procedure, job.serial, job.operator, ()))
        it = self._it
        self._listen(it, now)
        steps = self.record.steps(job.id)
        happened, between = self._happened(it)
        for step in steps:
            between = self._show_until(step.sitting, between)
            self._step(it, step, happened.get(step.row, []))
        self._show_until(math.inf, between)
        self._gaps(it)
        if job.ended is not None:
            self._end(it, job)
            return
        it.ended = False  # one that was stopped may be taken up again
        if steps and steps[-1].result is None:
            self._running(it, steps[-1], now)
            self._silence(it, now)

    def _listen(self, it: Followed, now: float) -> None:
        """Is the writer alive? What it said before we came proves nothing."""
        alive = self.record.alive(it.job)
        if alive != it.alive and it.alive is not None:
            it.heard = now
        it.alive = alive

    def _show_until(self, sitting: float, between: Sequence[_Between]) -> Sequence[_Between]:
        """Show what belongs to no step: it stands at the beginning of its sitting. Returns what is of later ones."""
        for since, notice in between:
            if since <= sitting:
                self._page.show(notice)
        return [each for each in between if each[0] > sitting]

    def _happened(self, it: Followed) -> tuple[Mapping[int, Sequence[n.Notice]], Sequence[_Between]]:
        """What is new of events and of answers at hold points, by step's row and of no step, in order of time."""
        found: list[tuple[int, int, int, n.Notice]] = []
        for event in self.record.events(it.job, it.event):
            it.event = event["id"]
            if event["kind"] == n.SoakMoved.kind:
                it.stands, it.stood_at = event["facts"], (event["sitting"], event["at_us"] / 1e6)
            elif (notice := notice_of(event["kind"], event["facts"])) is not None:
                found.append((event["sitting"], event["at_us"], event["step"] or 0, notice))
        for answer in self.record.acknowledgements(it.job, it.answer):
            it.answer = answer["id"]
            if answer["purpose"] == "work":
                said = n.HoldPointAnswered(answer["step_id"], bool(answer["acknowledged"]), "")
                found.append((answer["sitting"], answer["at_us"], answer["step"], said))
        happened: dict[int, list[n.Notice]] = defaultdict(list)
        found.sort(key=lambda each: each[:2])
        for _, _, row, notice in found:
            happened[row].append(notice)
        return happened, [(sitting, notice) for sitting, _, row, notice in found if not row]

    def _step(self, it: Followed, step: StepRow, happened: Sequence[n.Notice]) -> None:
        if step.row not in it.steps:
            it.steps[step.row] = False
            self._page.show(
                n.StepStarted(step.step, step.kind, step.title, "", step.number, step.number, step.trimmer, step.point)
            )
        for notice in happened:  # making safe comes after the step that it is for
            self._page.show(notice)
        if it.steps[step.row]:
            return
        self._read(it, step)
        if step.result is not None:
            it.steps[step.row] = True
            self._page.show(n.StepEnded.of(step.step, step.result))

    def _read(self, it: Followed, step: StepRow) -> None:
        """The readings of a step that are new."""
        origin = step.started.timestamp() - step.started_at
        for row in self.record.channels(step.row):
            channel = it.channels.setdefault(row.id, FollowedChannel(row))
            stretches, channel.seen = self.record.news(row, channel.seen)
            for stretch in stretches:
                channel.readings += stretch.readings
                if stretch.least is not None and stretch.greatest is not None:
                    self._page.trace(row.name, row.unit, origin + stretch.end, stretch.least, stretch.greatest)
            if stretches:
                channel.value = stretches[-1].newest

    def _gaps(self, it: Followed) -> None:
        for gap in self.record.gaps(it.job, min(it.open_gaps, default=it.gap + 1) - 1):
            number = gap["id"]
            if number > it.gap:
                it.gap = number
                it.open_gaps.add(number)
                self._page.show(n.LinkDown(0.0, gap["instrument"], gap["reason"], gap["step_id"]))
            if gap["closed_us"] is not None and number in it.open_gaps:
                it.open_gaps.remove(number)
                seconds = (gap["closed_us"] - gap["opened_us"]) / 1e6
                self._page.show(n.LinkUp(0.0, gap["instrument"], seconds, gap["step_id"]))

    def _running(self, it: Followed, step: StepRow, now: float) -> None:
        """How the running watch stands, with its newest values."""
        newest = {channel.row.name: channel for channel in it.channels.values() if channel.row.step_row == step.row}
        stands = it.stands
        if stands is None or stands["step"] != step.step:
            stands = {**_NOTHING, "channels": [_plain(channel.row, step) for channel in newest.values()]}
            it.stood_at = (step.sitting, step.started_at)
        sitting, moment = it.alive or it.stood_at
        passed = max(0.0, moment - it.stood_at[1]) if sitting == it.stood_at[0] else 0.0
        left = None if stands["remaining"] is None else max(0.0, stands["remaining"] - passed)
        quiet = it.heard is None or now - it.heard > SILENT
        views = tuple(_view(view, newest.get(view["name"]), quiet) for view in stands["channels"])
        self._page.show(n.SoakMoved(step.step, views, stands["elapsed"] + passed, left, stands["state"]))

    def _silence(self, it: Followed, now: float) -> None:
        silent = now - (it.began if it.heard is None else it.heard) > SILENT
        if silent != it.told_silent:
            it.told_silent = silent
            words = "No word from the program that writes this record" if silent else "The program writes again"
            self._page.show(n.Said("", words, "alarm"))

    def _end(self, it: Followed, job: JobRow) -> None:
        if not it.ended:
            self._page.show(n.JobEnded(job.id, job.outcome or "ended", job.exit_code or 0))
        it.ended = True


_NOTHING: Mapping[str, Any] = {"elapsed": 0.0, "remaining": None, "state": ""}
_NO_LIMITS = dict.fromkeys(("value", "low", "high", "acceptable_low", "acceptable_high"))


def _plain(row: ChannelRow, step: StepRow) -> dict[str, Any]:
    """A channel of a step that is no watch: nobody judges it yet."""
    return {**_NO_LIMITS, "name": row.name, "unit": row.unit, "state": "", "since": step.started.isoformat()}


def _view(facts: Mapping[str, Any], channel: FollowedChannel | None, quiet: bool) -> n.ChannelView:
    """A channel as the watch saw it, with its newest value; with no value and no state where they may have gone."""
    since = datetime.fromisoformat(facts["since"])
    readings = 0 if channel is None else channel.readings
    known = None if channel is None or quiet or facts["state"] == "absent" else channel.value
    more: dict[str, Any] = {"since": since, "value": known, "least": None, "greatest": None, "readings": readings}
    if quiet and facts["state"]:
        more["state"] = "unknown"
    return n.ChannelView(**{**facts, **more})


def notice_of(kind: str, facts: Mapping[str, Any]) -> n.Notice | None:
    """The notice that an event of the record was made of; None where it was made of none that a page shows."""
    step = str(facts.get("step", ""))
    match kind:
        case n.AlarmRaised.kind:
            return n.AlarmRaised(**{**facts, "raised": datetime.fromisoformat(facts["raised"])})
        case n.AlarmCleared.kind:
            return n.AlarmCleared(**facts)
        case n.AlarmAcknowledged.kind:
            return n.AlarmAcknowledged(**facts)
        case n.Said.kind:
            return n.Said(step, facts["words"], facts["level"])
        case n.HoldPointReached.kind:
            return n.HoldPointReached(step, "")
        case n.HoldPointLapsed.kind:
            return n.HoldPointLapsed(step, facts["words"])
        case n.MadeSafe.kind:
            return n.MadeSafe(step, facts["hazard"])
        case _:
            return None
