"""The soak step: listens, keeps everything, tells, calls for help, makes safe. The thin shell around `benchrig.soak`.

Rules it keeps:
1. Record first, then tell. A record that cannot be written for a while stops nothing: see `record_backlog`.
2. What forces an end switches the unit off where the bench can, sees that it is off, and is louder if it is not.
3. A hazardous point is watched with the acknowledgement of the start, for as long as the soak; whatever takes it away
   (the point reads nothing, the ceiling, a clock that jumped) ends the soak, for nobody is there to ask.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

# numpy fetches these when they are first used, and the end of a soak may find nothing to import.
import numpy.fft
import numpy.ma
import numpy.random  # noqa: F401

from ..clock import SimClock
from ..confirmed import Confirmed
from ..errors import Refused
from ..events import LinkDown, LinkUp
from ..holdpoint import HoldPhase
from ..procedure.model import Step
from ..readings import Flag, Reading
from ..records.facts import Block, StepResult, StoreError
from ..soak.columns import as_columns
from ..soak.engine import LASTING, Effect, Engine, Noticed, Over, Switch
from ..soak.findings import Columns, Finding, Kind, Severity
from ..soak.task import SoakTask
from .driving import drive
from .interruptions import StepCut, StopAsked
from .notices import Said, SoakMoved
from .points import listen
from .record_backlog import Keeping
from .results import Done
from .soak_words import Folding, details, hints_for, noticed_words, said, view
from .switching import in_reach, switched
from .tools import Caught, Dead, Heard, Listener, Many, Taken
from .work import Work

TICK = 0.2  # s between looks at what was heard
TICK_SIMULATED = 1.0
AWAY = 60.0  # s after which an instrument that only waits for a dip is missed
STOOD_STILL = 10.0  # s without a look after which the program is said to have stood still
NOT_OFF = "unit not seen off"  # key of the loudest alarm


class Soaking:
    """One soak at work: until the time is up, everything is stable, or something forces an end."""

    def __init__(self, work: Work, step: Step, task: SoakTask) -> None:
        self._work = work
        self._step = step
        self._task = task
        self._clock = work.clock
        self._simulated = isinstance(work.clock, SimClock)
        self._store = work.services.store
        self._alarms = work.services.alarms
        self._keeping = Keeping(work.clock, self._record_trouble)
        self._engine = Engine(task, work.clock.now())
        self._points = {it.name: it.source.point for it in task.channels}
        self._channels_of: dict[str, list[str]] = defaultdict(list)
        for it in task.channels:
            self._channels_of[it.source.instrument].append(it.name)
        self._catching = {it.source.instrument for it in task.catches}
        self._gaps: dict[str, int] = {}  # instrument -> its gap in the record, open
        self._lost: dict[str, float] = {}  # instrument -> since when it is away
        self._states: dict[str, tuple[str, datetime]] = {}  # channel -> state, since when
        self._extremes: dict[str, tuple[float, float]] = {}  # channel -> least and greatest since it was shown last
        self._last = work.clock.now()  # look around
        self._safe_words = ""
        self._noticed: dict[Kind, set[str]] = defaultdict(set)
        self._folding = Folding()
        self._confirmed: dict[str, Confirmed] = defaultdict(Confirmed)

    def run(self) -> Done:
        """Raises what ends the step from outside (stop, skip), with what was seen so far in the record."""
        tick = TICK_SIMULATED if self._simulated else TICK
        listener = self._listener()
        try:
            self._note_who_answered()
            self._reach_for_the_switch()
            drive(self, lambda: self._heard_until(listener, tick), self._clock)
        except StepCut as cut:
            self._note("soak so far", {"ended": cut.message, **details(self._engine, self._clock.now())})
            if isinstance(cut, StopAsked):  # by a person who goes away, or by a terminal that has gone
                self._make_safe()
            raise
        except Refused as refused:  # nobody is there to acknowledge again
            self._act(self._engine.end(self._work.guard.reason or refused.message, stopped=True))
        except BaseException:  # a signal, a defect, no more descriptors: nobody will watch any longer
            self._make_safe()
            raise
        finally:
            listener.close()
            self._keeping.flush()
        return self._done()

    @property
    def over(self) -> bool:
        return self._engine.over

    def _heard_until(self, listener: Listener, tick: float) -> Sequence[Heard]:
        self._heed()
        return listener.poll(self._clock.now() + tick)

    def events(self, got: Sequence[Heard]) -> Sequence[Sequence[Heard]]:
        """All that was heard in one look is one event: readings of a channel are judged together."""
        return (got,)

    def step(self, event: Sequence[Heard]) -> None:
        self._hear(event)
        self._act(self._engine.tick(self._clock.now()))

    def looked(self, got: Sequence[Heard]) -> None:
        self._look_around()
        self._show()

    def _listener(self) -> Listener:
        work = self._work
        guard = work.guard
        return listen(work.services.tools, self._step, self._task, guard.acknowledgement, guard.moment, guard.leads)

    def _note_who_answered(self) -> None:
        services = self._work.services
        try:
            services.store.instruments(services.tools.facts())
        except StoreError as error:
            self._record_trouble(str(error), False)

    def _reach_for_the_switch(self) -> None:
        """A supply that would not answer at the end is told of while somebody is still there."""
        if why := in_reach(self._work.services.tools.supply):
            self._tell(f"{why} Nothing would switch the unit off.", "alarm")
            self._raise("supply", "warning", "The supply does not answer", why)

    def _heed(self) -> None:
        self._keeping.flush()
        try:
            self._work.heed()
        except StoreError as error:
            self._record_trouble(str(error), False)

    # hearing

    def _hear(self, heard: Sequence[Heard]) -> None:
        taken: dict[str, list[Reading]] = defaultdict(list)
        for it in heard:
            if isinstance(it, Taken):
                taken[it.channel].append(it.reading)
            elif isinstance(it, Many):
                self._keep(it.channel, it.columns, it.unit)
            else:
                self._other(it)
        for name, readings in taken.items():
            self._take(name, readings)

    def _take(self, name: str, readings: list[Reading]) -> None:
        confirmed = self._confirmed[name]
        if counted := [it for reading in readings for it in confirmed.add(reading)]:
            self._keep(name, as_columns(counted), counted[-1].unit)
        hazard = self._work.services.procedure.hazards.get(self._step.hazard or "")
        if hazard is not None and hazard.is_test_point(self._points[name]) and not self._engine.over:
            self._hold_seen(readings)

    def _keep(self, name: str, columns: Columns, unit: str) -> None:
        block = _block(columns, unit)
        self._keeping.do(lambda: self._store.block(self._work.row, name, block))
        self._note_extremes(name, columns)
        self._act(self._engine.take(name, columns))

    def _note_extremes(self, name: str, columns: Columns) -> None:
        values = columns.values[columns.usable]
        if values.size:
            least, greatest = self._extremes.get(name, (math.inf, -math.inf))
            self._extremes[name] = min(least, float(values.min())), max(greatest, float(values.max()))

    def _hold_seen(self, readings: list[Reading]) -> None:
        """The hold point looks at every reading of its own point."""
        for it in readings:
            overload = bool(it.flags & Flag.OVERLOAD)
            if (it.usable or overload) and self._work.guard.see(it.value, overload) is HoldPhase.LAPSED:
                self._act(self._engine.end(self._work.guard.reason, stopped=True))
                return

    def _other(self, it: Heard) -> None:
        now = self._clock.now()
        match it:
            case LinkDown(_, instrument, reason):
                self._lost.setdefault(instrument, now)
                for name in self._channels_of[instrument]:
                    self._confirmed[name].forget()
                self._keeping.do(self._gap_opened(instrument, reason, now))
                self._work.services.operator.notify(replace(it, step=self._step.id))
            case LinkUp(_, instrument):
                self._lost.pop(instrument, None)
                self._keeping.do(self._gap_closed(instrument, now))
                self._clear(f"{instrument} away")
                self._work.services.operator.notify(replace(it, step=self._step.id))
            case Caught(name, wave, time):
                self._keeping.do(lambda: self._store.waveform(self._work.row, name, wave, now))
                volts = wave.volts
                self._act(self._engine.caught(name, time, float(volts.min()), float(volts.max()), "V"))
            case Dead(instrument, reason):
                self._note("out of use", {"instrument": instrument, "why": reason})
                said_last = self._work.services.tools.traffic().get(instrument, "")
                self._keeping.do(lambda: self._store.traffic(instrument, said_last, now))
                self._raise(f"{instrument} out of use", "warning", f"{instrument} is out of use", reason)

    def _gap_opened(self, instrument: str, reason: str, now: float) -> Any:
        stamp = self._clock.stamp()

        def write() -> None:
            self._gaps[instrument] = self._store.open_gap(self._work.row, instrument, reason, now, stamp)

        return write

    def _gap_closed(self, instrument: str, now: float) -> Any:
        stamp = self._clock.stamp()

        def write() -> None:
            if instrument in self._gaps:
                self._store.close_gap(self._gaps.pop(instrument), now, stamp)

        return write

    # acting

    def _act(self, effects: Sequence[Effect]) -> None:
        for effect in effects:
            match effect:
                case Noticed(finding):
                    self._found(finding)
                case Switch(on):
                    self._switch(on)
                case Over(why, stopped):
                    self._over(why, stopped=stopped)

    def _found(self, finding: Finding) -> None:
        self._note("finding", said(finding, self._engine.began))
        if finding.severity is not Severity.NOTE:
            self._noticed[finding.kind].add(finding.channel)
        lines = self._folding.lines(finding, self._clock.now())
        if finding.severity is Severity.NOTE or self._alarms is None:  # an alarm is told by who keeps them
            for line in lines:
                self._tell(line, "note" if finding.severity is Severity.NOTE else "warning")
        if finding.ends is not None:
            self._clear(f"{finding.channel} {finding.ends}")
        if finding.severity is not Severity.NOTE and (lines or finding.kind in LASTING):
            self._call(finding, lines)

    def _call(self, finding: Finding, lines: Sequence[str]) -> None:
        """An alarm; what is over as soon as it is told stays open until it is acknowledged, and no longer."""
        key = f"{finding.channel} {finding.kind}"
        words = lines[0].removeprefix(f"{key}: ") if lines else finding.words
        self._raise(key, str(finding.severity), key, words, finding.channel)
        if finding.kind not in LASTING:
            self._clear(key)

    def _switch(self, on: bool) -> None:
        """For a power cycle."""
        done = switched(self._work.services.tools.supply, on, self._clock)
        self._tell(done.words, "note" if done.sure else "alarm")
        if done.sure:
            self._engine.switched(on, self._clock.now())
        else:
            self._act(self._engine.end(f"the power cycle failed: {done.words}", stopped=True))

    def _over(self, why: str, *, stopped: bool) -> None:
        self._tell(f"The soak ends: {why}.", "alarm" if stopped else "note")
        if stopped:
            self._make_safe()

    def _make_safe(self) -> None:
        """Switch the unit off if the bench can, see it off, and be louder if it is not."""
        self._work.services.reserve.release()
        supply = self._work.services.tools.supply
        done = switched(supply, False, self._clock)
        self._safe_words = done.words
        self._note("made safe" if done.sure else "not seen off", {"words": done.words})
        self._tell(done.words, "note" if done.sure else "alarm")
        if done.sure:
            self._work.guard.power = False
        elif self._alarms is not None:
            self._alarms.louder(NOT_OFF, "The unit was not seen off. Take it for live", done.words)

    # looking around

    def _look_around(self) -> None:
        """Was the program asleep, is an instrument missing that only waits, are alarms due again?"""
        now = self._clock.now()
        if now - self._last > STOOD_STILL and not self._simulated:
            self._note("stood still", {"seconds": now - self._last})
            self._tell(f"The program stood still for {now - self._last:.0f} s.", "warning")
        self._last = now
        for instrument, since in self._lost.items():
            if instrument in self._catching and now - since > AWAY:
                self._raise(f"{instrument} away", "warning", f"{instrument} is away", "Nothing is caught meanwhile.")
        if self._alarms is not None:
            self._alarms.tick()

    def _show(self) -> None:
        now, stamp = self._clock.now(), self._clock.stamp()
        views = []
        for channel in self._engine.channels.values():
            extremes = self._extremes.pop(channel.name, None)
            made = view(channel, now, self._states.get(channel.name), stamp, extremes)
            self._states[channel.name] = (made.state, made.since)
            views.append(made)
        engine = self._engine
        self._work.services.operator.notify(
            SoakMoved(self._step.id, tuple(views), now - engine.began, engine.remaining(now), str(engine.phase))
        )

    # the record, the alarms

    def _note(self, kind: str, facts: Mapping[str, Any]) -> None:
        now, stamp = self._clock.now(), self._clock.stamp()
        self._keeping.do(lambda: self._store.event(self._work.row, kind, facts, now, stamp))

    def _tell(self, words: str, level: str) -> None:
        self._note("said", {"words": words, "level": level})
        self._work.services.operator.notify(Said(self._step.id, words, level))

    def _record_trouble(self, words: str, well: bool) -> None:
        self._work.services.operator.notify(Said(self._step.id, words, "note" if well else "alarm"))
        if well:
            self._clear("record")
        else:
            self._raise("record", "warning", "The record cannot be written", words)

    def _raise(self, key: str, severity: str, title: str, words: str, channel: str = "") -> None:
        if self._alarms is not None:
            self._alarms.raise_(key, severity, title, words, channel=channel)

    def _clear(self, key: str) -> None:
        if self._alarms is not None:
            self._alarms.clear(key)

    def _done(self) -> Done:
        engine = self._engine
        hints = hints_for(self._noticed, self._step.hints)
        parts = (f"ended: {engine.why}", noticed_words(self._noticed), self._safe_words.rstrip("."), *hints)
        words = "; ".join(part for part in parts if part)
        return Done(StepResult(engine.verdict(), words=words, details=details(engine, self._clock.now())))


def _block(columns: Columns, unit: str) -> Block:
    return Block(columns.times, columns.values, columns.flags, unit, columns.resolution or None)
