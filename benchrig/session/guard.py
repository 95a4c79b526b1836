"""The session's safety: its machine and the hold points of its hazards, moved together, with the questions they ask.

Rules it keeps:
1. The session's machine and the hold point never disagree: one method moves both.
2. A point that has been live is made safe before anything else happens: hands off, power off, discharge reported in
   words, and the point seen below its limit through the probe that saw it live. Only readings count behind which a look
   at the instrument's panel was clean, and one that cannot be used ends their row.
3. A point that fell faster than it can by itself is no proof: the stick does that, and so does a lead that came off.
   The person is asked to look. What was seen is said; that hands may go in is not: the discharge stick decides that.
4. If that fails, the job ends there and says, loudly, that the point must be taken for live.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from ..clock import Clock
from ..confirmed import Confirmed
from ..errors import BenchrigError, Refused, UnitError
from ..events import LinkDown
from ..holdmachine import Moment
from ..holdpoint import Acknowledgement, Exposure, HoldMove, HoldPhase, HoldPoint, Purpose
from ..procedure.model import Hazard, Procedure, Step
from ..procedure.quantities import MeterSource, TypedSource
from ..readings import UNUSABLE, Flag, Reading, flag_words
from ..records.facts import AcknowledgementFacts, Store
from ..units import quantity_in, show
from . import machine
from .leads import Leads, places
from .machine import Session, SessionMove, SessionPhase
from .notices import HoldPointAnswered, HoldPointLapsed, HoldPointReached, MadeSafe, Notice, ReadingTaken, Said
from .operators import EntryRequest, HoldRequest, Operator, Question, ask
from .points import HazardousPoint
from .switching import switched
from .tools import Feed, Tools

CHECK_FOR = 120.0  # s in which a point must be seen below its limit
LOOK = 0.5
MADE_SAFE = MadeSafe.kind  # also of the event in the record


class Guard:
    """Of one sitting. `power` is what is known of the unit's: True, False, or None for not known."""

    def __init__(
        self, procedure: Procedure, tools: Tools, operator: Operator, store: Store, clock: Clock, serial: str
    ) -> None:
        self.session = Session()
        self.leads = Leads(procedure)
        self.power: bool | None = None
        self.came_on = -math.inf  # when it was last switched on
        self._procedure = procedure
        self._tools = tools
        self._operator = operator
        self._store = store
        self._clock = clock
        self._serial = serial
        self._points = {name: HoldPoint(clock, tools) for name in procedure.hazards}
        self._row = 0
        self._step_id = ""
        self._high: dict[str, tuple[float, float]] = {}  # hazard -> volts at or above its limit, and when, last seen
        self._said_changed = ""
        self.seen_off_by_supply = False  # since it was last switched on
        self._seen_low = ""  # what showed that a point is off, in words

    # what the runner and the steps ask

    @property
    def acknowledgement(self) -> Acknowledgement | None:
        """Of the hazard that is live now, if it is."""
        return self._points[self.session.hazard].acknowledgement if self.session.hazard else None

    @property
    def reason(self) -> str:
        return self._points[self.session.hazard].reason if self.session.hazard else ""

    def moment(self) -> Moment:
        return Moment(self._clock.now(), self._clock.stamp())

    def may_follow(self, step: Step) -> bool:
        """True if `step` may begin without making anything safe first: nothing is live, or no lead has to be moved."""
        if self.session.phase is SessionPhase.READY:
            return True
        return step.hazard == self.session.hazard and not self.leads.to_move(step)

    # moves

    def begin(self, step: Step, row: int) -> None:
        """A step begins; returns when it may be worked at. Raises Refused."""
        self._row, self._step_id = row, step.id
        if step.hazard is None:
            self._move(SessionMove.BEGIN)
            return
        self._reach(step, self._procedure.hazards[step.hazard])

    def pause(self) -> None:
        self._move(SessionMove.PAUSE)

    def resume(self) -> None:
        self._move(SessionMove.RESUME)

    def done(self) -> None:
        """The step ended, and with it its acknowledgement."""
        if self.session.phase is SessionPhase.LIVE_WORKING:
            self._points[self.session.hazard].lapse(HoldMove.LEFT)
        if self.session.phase in (SessionPhase.WORKING, SessionPhase.LIVE_WORKING):
            self._move(SessionMove.DONE)

    def lapse(self, move: HoldMove) -> None:
        """Something happened that takes the acknowledgement."""
        self._points[self.session.hazard].lapse(move)
        self.lapsed()

    def lapsed(self) -> None:
        """The acknowledgement is gone: say so, and leave the step."""
        if self.session.phase is SessionPhase.LIVE_WORKING:
            self._tell(HoldPointLapsed(self._step_id, self.reason))
            self._move(SessionMove.LAPSED)

    def see(self, value: float | None, overload: bool) -> HoldPhase:
        """A reading of the hazardous point itself."""
        self._note_high(self._procedure.hazards[self.session.hazard], value)
        return self._points[self.session.hazard].see(value, overload)

    def _note_high(self, hazard: Hazard, value: float | None) -> None:
        if value is not None and abs(value) >= hazard.limit:
            self._high[hazard.name] = value, self._clock.now()

    def breached(self) -> None:
        """Above the ceiling: no acknowledgement survives that, and power goes off if the bench can do it."""
        if self.session.hazard and self.acknowledgement is not None:
            self._points[self.session.hazard].lapse(HoldMove.ABOVE_CEILING)
        try:
            self._say("TOO HIGH. Let go. Hands away. Switch the unit off.", "alarm")
        finally:
            self.supply_off()

    def cut(self, why: str) -> None:
        """The job is to end; whatever is live stays guarded until it is made safe."""
        if self.session.phase is SessionPhase.LIVE_WORKING:
            self._points[self.session.hazard].lapse(HoldMove.LEFT)
        if self.session.phase not in machine.OVER:
            self._move(SessionMove.CUT, why=why)

    def end(self) -> None:
        """Nothing is left to do, and nothing is live."""
        if self.session.phase is SessionPhase.READY:
            self._move(SessionMove.END)

    def _move(self, move: SessionMove, *, hazard: str = "", why: str = "") -> None:
        self.session = machine.step(self.session, move, hazard=hazard, why=why)

    # the hold point

    def _reach(self, step: Step, hazard: Hazard) -> None:
        first = not self.session.hazard
        self.leads.put(places(step))
        if first:
            self._prepare(step, hazard)
        exposure = self._exposure(step, hazard)
        self._move(SessionMove.REACH, hazard=hazard.name)
        point = self._points[hazard.name]
        point.reach(exposure)
        self._tell(HoldPointReached(step.id, exposure.phrase))
        phase = self._ask(point, self._request(step, hazard, exposure.phrase, hazard.in_place, "work"), exposure)
        if phase is not HoldPhase.LIVE:
            self._move(SessionMove.REFUSED, why=f"hold point of {step.id}: {point.reason}")
            raise Refused(
                f"{hazard.test_point} was not acknowledged ({point.reason}).",
                next_step="Nothing was read there. Begin again when everything is in place.",
            )
        self._move(SessionMove.ACKNOWLEDGED)
        if self.power is False:
            self._switch(True, "Switch the unit on, and keep one hand behind your back.")

    def _prepare(self, step: Step, hazard: Hazard) -> None:
        """With the power off the probe goes on; nothing is live by our doing yet, and the unit may be charged."""
        words = f"Before the probe goes on {hazard.test_point}: {' '.join(f'{it}.' for it in hazard.make_safe)}"
        if self.power is not False and not self._switch(False, words):
            self._refuse_before(step, "the unit was not switched off for the probe")
        text = f"{step.instruction} Probe's ground first, then its tip on {hazard.test_point}.".strip()
        if self._choose(text, ("connected", "not connected"), "connect") != "connected":
            self._refuse_before(step, "the probe was not put on")

    def _refuse_before(self, step: Step, why: str) -> None:
        self._move(SessionMove.CUT, why=why)
        raise Refused(f"{step.title}: {why}.", next_step="Begin again when it can be done.")

    def _exposure(self, step: Step, hazard: Hazard) -> Exposure:
        ceilings = [
            part.limits.ceiling
            for part in step.parts()
            if part.limits is not None
            and part.limits.ceiling is not None
            and part.source is not None
            and hazard.is_test_point(part.source.point)
        ]
        return Exposure(
            hazard=hazard.name,
            step=step.id,
            unit_serial=self._serial,
            operator=self._operator.name,
            test_point=hazard.test_point,
            expected=hazard.expected,
            ceiling=min(ceilings, default=None),
            limit=hazard.limit,
            # Nobody is there to be asked again during a soak.
            valid=hazard.valid + step.unattended,
        )

    def _request(self, step: Step, hazard: Hazard, phrase: str, in_place: Sequence[str], purpose: str) -> HoldRequest:
        return HoldRequest(
            step=step.id,
            title=hazard.title,
            unit_serial=self._serial,
            test_point=hazard.test_point,
            expected=show(hazard.expected, "V", digits=3),
            cautions=tuple(hazard.cautions),
            in_place=tuple(in_place),
            phrase=phrase,
            purpose=purpose,
        )

    def _ask(self, point: HoldPoint, request: HoldRequest, exposure: Exposure) -> HoldPhase:
        """Ask until it is answered rightly or refused; every answer goes into the record."""
        operator = self._operator
        asking = phase = point.phase
        while phase is asking:
            typed = operator.acknowledge(request)
            phase = point.answer(
                typed, name=operator.name, attended=operator.attended, acts_for_person=operator.acts_for_person
            )
            right = phase in (HoldPhase.LIVE, HoldPhase.CHECKING)
            self._record(request, exposure, typed, right, point.reason)
        return phase

    def _record(self, request: HoldRequest, exposure: Exposure, typed: str | None, right: bool, reason: str) -> None:
        facts = AcknowledgementFacts(
            hazard=exposure.hazard,
            test_point=exposure.test_point,
            expected=exposure.expected,
            phrase=request.phrase,
            typed=typed,
            acknowledged=right,
            operator=self._operator.name,
            purpose=request.purpose,
            words=reason,
        )
        self._store.acknowledgement(self._row, facts, self._clock.now(), self._clock.stamp())
        self._tell(HoldPointAnswered(self._step_id, right, typed or ""))

    # power

    def need_power(self, on: bool) -> bool:
        """The unit must be on, or off, for what comes. True once it is, as far as the person says."""
        if self.power is on:
            return True
        return self._switch(on, "Switch the unit on." if on else "Switch the unit off and pull its plug.")

    def _switch(self, on: bool, words: str) -> bool:
        done = ("on", "not on") if on else ("off", "not off")
        answered = self._choose(words, done, "power on" if on else "power off") == done[0]
        self.power = on if answered else self.power
        if on and answered:
            self.came_on = self._clock.now()
            self.seen_off_by_supply = False
        return answered

    def supply_off(self) -> None:
        """Off by the supply and seen off at its terminals; the person switches off all the same."""
        if self._tools.supply is None:
            return
        done = switched(self._tools.supply, False, self._clock)
        self._say(done.words, "note" if done.sure else "alarm")
        self.seen_off_by_supply = done.sure
        if done.sure:
            self.power = False

    # make-safe

    def made_safe_after_break(self, hazard: Hazard) -> bool:
        """Nothing is known of a point that was live when a job broke off: off and discharged, in the person's words."""
        words = f"{hazard.test_point} was live when the job was broken off. {'. '.join(hazard.make_safe)}."
        done = self._switch(False, words)
        if done:
            self._note_safe(hazard)
        return done

    def _note_safe(self, hazard: Hazard) -> None:
        """For who looks on, and for whoever takes up a job that breaks off later."""
        facts = {"hazard": hazard.name}
        self._store.event(self._row or None, MADE_SAFE, facts, self._clock.now(), self._clock.stamp())
        self._tell(MadeSafe(self._step_id, hazard.name))

    def secure(self, step: Step) -> bool:
        """Make safe what has been live. True if it was seen below its limit."""
        hazard = self._procedure.hazards[self.session.hazard]
        point = self._points[hazard.name]
        self._step_id = step.id
        self._move(SessionMove.SECURE)
        safe = False
        try:
            self._operator.hands_off(step.id, f"{hazard.title} is to be made safe")
            point.ask_off()
            exposure = self._exposure(step, hazard)
            request = self._request(step, hazard, exposure.off_phrase, hazard.make_safe, "check")
            safe = self._ask(point, request, exposure) is HoldPhase.CHECKING and self._seen_off(point, step, hazard)
        finally:  # also where Ctrl-C or a full disk breaks it off
            self._secured(point, hazard, safe)
        return safe

    def _secured(self, point: HoldPoint, hazard: Hazard, safe: bool) -> None:
        """Make-safe has ended; where it failed nobody keeps leave to read, and it is said loudly."""
        if safe:
            self.power = False
            self._move(SessionMove.SECURED)
            self._note_safe(hazard)
            self._say(f"{self._seen_low} Short it with the discharge stick before a hand goes in: the stick decides.")
            return
        why = point.reason or f"not seen below {show(hazard.limit, 'V')}"
        self._move(SessionMove.NOT_SECURED, why=f"{hazard.test_point} was not made safe: {why}")
        point.lapse(HoldMove.LEFT)
        self._say(f"{hazard.test_point} WAS NOT SEEN SAFE. Take it for live. Keep hands out.", "alarm")

    def _seen_off(self, point: HoldPoint, step: Step, hazard: Hazard) -> bool:
        """Look at the point until it was below its limit for long enough."""
        source = checking_source(self._procedure, hazard)
        until = self._clock.now() + CHECK_FOR
        try:
            if isinstance(source, TypedSource):
                return self._typed_off(point, step, hazard, until) and self._fell_rightly(hazard)
            acknowledgement = point.acknowledgement
            if acknowledgement is None:
                return False
            last = acknowledgement.exposure.step
            door = HazardousPoint(source, None, hazard.name, last, self.moment, Purpose.CHECK)
            feed = door.open(self._tools, acknowledgement)
            try:
                seen = self._watch_off(point, feed, source, hazard, until)
            finally:
                feed.close()
            return seen and self._fell_rightly(hazard)
        except BenchrigError as error:
            self._say(f"The check of {hazard.test_point} failed: {error}", "alarm")
            return False

    def _watch_off(self, point: HoldPoint, feed: Feed, source: MeterSource, hazard: Hazard, until: float) -> bool:
        confirmed = Confirmed()
        while point.phase is HoldPhase.CHECKING and self._clock.now() < until:
            item = feed.next(self._clock.now() + LOOK)
            self._store.keep_alive(self._clock.now())
            if isinstance(item, LinkDown):
                point.lapse(HoldMove.LINK_LOST)
            elif isinstance(item, Reading):
                self._store.reading(self._row, source.instrument, item)
                self._tell(ReadingTaken(self._step_id, source.instrument, item))
                if bad := item.flags & UNUSABLE:
                    self._say_changed(source.instrument, bad)
                self._see_off(point, hazard, source, item, confirmed.add(item))
        return point.phase is HoldPhase.SHUT

    def _see_off(
        self, point: HoldPoint, hazard: Hazard, source: MeterSource, item: Reading, counted: Sequence[Reading]
    ) -> None:
        """What is high counts at once; what is low only when it is known to be what it looks like."""
        self._note_high(hazard, item.value if item.usable else None)
        if item.flags & Flag.PROVISIONAL and item.value is not None and abs(item.value) >= hazard.limit:
            point.see(item.value, False)
        for reading in counted:
            if point.phase is not HoldPhase.CHECKING:
                return
            point.see(reading.value if reading.usable else None, bool(reading.flags & Flag.OVERLOAD))
            if reading.usable and reading.value is not None:
                self._low(hazard, reading.value, f"{source.instrument}{f' and {source.probe}' if source.probe else ''}")

    def _low(self, hazard: Hazard, value: float, by: str) -> None:
        at = self._clock.stamp().astimezone().strftime("%H:%M:%S")
        self._seen_low = (
            f"{hazard.test_point} read {show(value, 'V', digits=3)} at {at} by {by}, below {show(hazard.limit, 'V')}."
        )

    def _say_changed(self, instrument: str, flags: Flag) -> None:
        words = f"{instrument} does not show the plain value ({flag_words(flags)}): its readings do not count here."
        if words != self._said_changed:
            self._said_changed = words
            self._say(words, "warning")

    def _fell_rightly(self, hazard: Hazard) -> bool:
        """It took as long to fall as it takes by itself; else the person looks at the probe and says where it is."""
        if (high := self._high.pop(hazard.name, None)) is None:
            return True
        volts, when = high
        took = self._clock.now() - when
        if hazard.bleed is not None and took >= hazard.bleed:
            return True
        text = (
            f"{hazard.test_point} read {show(volts, 'V', digits=3)} {took:.0f} s ago and reads next to nothing now. "
            "The discharge stick does that; so does a lead that came off. Look at the probe, hands out: are its tip on "
            f"{hazard.test_point} and its ground on the chassis?"
        )
        return self._choose(text, ("both still on", "moved, or not sure"), "probe still on") == "both still on"

    def _typed_off(self, point: HoldPoint, step: Step, hazard: Hazard, until: float) -> bool:
        """No instrument of the bench sees the point: the person measures it, again and again."""
        while point.phase is HoldPhase.CHECKING and self._clock.now() < until:
            text = f"Measure {hazard.test_point} with a meter that you have just seen working. Volts?"
            typed = self._operator.enter(EntryRequest(step.id, text, "V"))
            if typed is None:
                return False
            try:
                volts = quantity_in(typed, "V")
                self._note_high(hazard, volts)
                point.see(volts, False)
                self._low(hazard, volts, "the meter that you read")
            except UnitError as error:
                self._say(str(error), "warning")
            self._clock.sleep_until(self._clock.now() + 2.0)
        return point.phase is HoldPhase.SHUT

    # telling

    def _choose(self, text: str, choices: tuple[str, ...], about: str) -> str | None:
        question = Question(self._step_id, text, choices, about)
        return ask(self._operator, question, self._store, self._row or None, self._clock)

    def _say(self, words: str, level: str = "note") -> None:
        self._tell(Said(self._step_id, words, level))

    def _tell(self, notice: Notice) -> None:
        """Record what is worth it, then show it: a record that can no longer be written silences no warning."""
        try:
            if (words := _worth_recording(notice)) is not None:
                facts = {"words": words, "level": getattr(notice, "level", "note")}
                self._store.event(self._row or None, notice.kind, facts, self._clock.now(), self._clock.stamp())
        finally:
            self._operator.notify(notice)


def _worth_recording(notice: Notice) -> str | None:
    """The words that the record keeps of a notice; None for one that stands there already."""
    match notice:
        case Said(words=words) | HoldPointLapsed(reason=words) | HoldPointReached(phrase=words):
            return words
        case _:
            return None


def checking_source(procedure: Procedure, hazard: Hazard) -> MeterSource | TypedSource:
    """What shows that the point of a hazard is off: the meter that reads it in some step, else a person."""
    for step in procedure.steps:
        for source in step.sources:
            if step.hazard == hazard.name and hazard.is_test_point(source.point) and isinstance(source, MeterSource):
                return source
    return TypedSource("V", hazard.test_point, "V")
