"""Running a procedure: one step after another, guarded, recorded, told. The thin shell around plan and machine.

Rules it keeps:
1. A job always ends with a line in the record and an exit code, whatever happened.
2. Trouble in a step ends the job in an order that is safe: the acknowledgement goes first, then the point is made safe.
3. A lapsed acknowledgement is asked for again, a few times; a refusal is final.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from ..clock import Clock, RealClock
from ..errors import BenchrigError, Refused
from ..procedure.model import Procedure, Step
from ..procedure.quantities import ReadingClass
from ..procedure.serials import check as check_serial
from ..records.facts import StepResult, Store, StoreError
from ..records.history import History
from . import plan as planning
from .guard import Guard
from .interruptions import Breach, Lapsed, Skipped, StopAsked
from .job_facts import job_facts, step_facts, step_started
from .learned_ways import recalled
from .machine import SessionPhase
from .marks import MARKED, ask_for_marks, to_mark
from .notices import JobEnded, JobStarted, Notice, StepEnded
from .operators import Operator, Question, ask
from .plan import Plan, Status
from .results import Done, Results
from .resume import Resumed, after, take_up, with_facts
from .tools import Bell, Tools
from .work import Services, Work

COMING_UP = 5.0  # s after switching on before a value of the unit counts
AGAIN = 5  # times that a lapsed acknowledgement is asked for again in one step


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a job ended.

    exit_code   0 all in tolerance, 1 something out, 3 stopped by the operator, 4 instrument trouble, 5 not acknowledged
    words       the same for a person
    plan        how every step stands
    results     the last result of each step that was done
    """

    job: int
    exit_code: int
    words: str
    plan: Plan
    results: Mapping[str, StepResult]


@dataclass(frozen=True, slots=True)
class _End:
    """Why the job ends before its last step."""

    exit_code: int
    words: str


class Runner:
    """One sitting at one job."""

    def __init__(
        self,
        services: Services,
        serial: str,
        environment: Mapping[str, Any],
        broken_off: tuple[int, Resumed] | None = None,
    ) -> None:
        self._services = services
        self._procedure = services.procedure
        self._clock = services.clock
        self._store = services.store
        self._serial = serial
        self._environment = environment
        self._guard = Guard(
            services.procedure, services.tools, services.operator, services.store, services.clock, serial
        )
        self._broken_off = broken_off
        taken_up = broken_off[1] if broken_off else None
        if taken_up:
            self._guard.leads.presume(taken_up.exposed)
            services.marked.update(dict.fromkeys(to_mark(services.procedure) if taken_up.marked else (), MARKED))
        self._plan = taken_up.plan if taken_up else planning.begin(services.procedure)
        self._results = taken_up.results if taken_up else Results()
        self._ended: dict[str, StepResult] = dict(taken_up.ended) if taken_up else {}
        self._end: _End | None = None
        self._last: Step = services.procedure.steps[0]

    def run(self) -> Outcome:
        """From the first step to the last line of the record."""
        self._services.reserve.take()
        try:
            return self._run(self._begin())
        finally:
            self._services.reserve.release()

    def _run(self, job: int) -> Outcome:
        try:
            self._tell_start(job)
            self._make_safe_what_was_live()
            self._all_steps()
        except BaseException as error:
            # Ctrl-C, a hang-up, a defect of ours: whatever is live is still made safe and the record still closed.
            self._end = self._end or _cut_by(error)
            self._make_all_safe(str(error) or type(error).__name__)
            self._close(job)
            raise
        self._make_all_safe(self._end.words if self._end else "")
        return self._close(job)

    def _begin(self) -> int:
        if self._broken_off is not None:
            job = self._broken_off[0]
            self._store.resume_job(job, self._clock.now(), self._clock.stamp())
        else:
            facts = job_facts(self._services, self._serial, self._environment)
            job = self._store.begin_job(facts, self._clock.now(), self._clock.stamp())
        return job

    def _tell_start(self, job: int) -> None:
        steps = [step.id for step in self._procedure.steps]
        self._tell(JobStarted(job, self._procedure.title, self._serial, self._services.operator.name, steps))

    def _make_safe_what_was_live(self) -> None:
        """A job that broke off at a live point goes on only when that point was made safe."""
        for name in self._broken_off[1].live if self._broken_off else ():
            hazard = self._procedure.hazards[name]
            if not self._guard.made_safe_after_break(hazard):
                words = f"{hazard.test_point} may be live since the job was broken off, and was not made safe"
                self._end = _End(5, words)
                return

    def _all_steps(self) -> None:
        while self._end is None:
            self._settle()
            reading = planning.next_to_read(self._plan, self._procedure)
            name = reading or planning.next_step(self._plan, self._procedure)
            if name is None:
                if self._look_again():
                    continue
                return
            step = self._procedure.step(name)
            if not self._guard.may_follow(step):
                self._secure()
                continue
            self._one_step(step, only_looking=reading is not None)

    def _look_again(self) -> bool:
        """Open once more what was still creeping when it was set. True if there is anything.

        What needs a hold point again is asked for first: to refuse it there would end the job.
        """
        creeping = planning.to_look_again(self._plan)
        steps = [step for step in self._procedure.steps if step.id in creeping]
        wanted = frozenset(step.id for step in steps if step.hazard is None or self._wanted_again(step))
        self._plan = planning.look_again(self._plan, self._procedure, wanted)
        return bool(wanted)

    def _wanted_again(self, step: Step) -> bool:
        text = f"{step.title}: it was still creeping when it was set. Look at it again, behind its hold point?"
        question = Question(step.id, text, ("look again", "leave it"), "look again")
        return ask(self._services.operator, question, self._store, None, self._clock) == "look again"

    def _settle(self) -> None:
        """Close what needs no doing, and say so once."""
        before = self._plan
        self._plan = planning.settle(before, self._procedure)
        for step in self._procedure.steps:
            if self._plan.status[step.id] is not before.status[step.id]:
                blocked = self._plan.status[step.id] is Status.BLOCKED
                row = self._begin_row(step)
                words = self._plan.why[step.id]
                self._end_row(step, row, StepResult("blocked" if blocked else "skipped", words=words))

    def _one_step(self, step: Step, *, only_looking: bool) -> None:
        self._last = step
        row = self._begin_row(step, "as found" if only_looking else "")
        self._tell(step_started(step, self._number(step), len(self._procedure.steps)))
        work = Work(self._services, self._guard, step, row)
        work.only_looking = only_looking
        done = self._attempt(step, work, row)
        self._end_row(step, row, with_facts(done))
        self._results.keep(step.id, done.result)
        self._plan = after(self._plan, self._procedure, step.id, done, only_looking=only_looking)

    def _attempt(self, step: Step, work: Work, row: int) -> Done:
        """Do the step, again where an acknowledgement lapsed and was given again."""
        lapses = 0
        while True:
            try:
                return self._guarded(step, work, row)
            except Lapsed as lapse:
                lapses += 1
                self._guard.lapsed()
                if lapses > AGAIN:
                    return self._cut(_End(5, f"{step.title}: the hold point lapsed {lapses} times: {lapse.message}"))

    def _guarded(self, step: Step, work: Work, row: int) -> Done:
        try:
            ask_for_marks(work, step)
            if not self._power_for(step, row):
                return Done(StepResult("skipped", words="the unit's power was not switched as needed"))
            if not self._connected(step, work):
                return Done(StepResult("skipped", words="the leads were not put where they belong"))
            self._guard.begin(step, row)
            work.wait(self._guard.came_on + COMING_UP - self._clock.now())
            done: Done = step.run(work, self._results)
        except Skipped as skip:
            self._guard.done()
            return Done(StepResult("skipped", words=skip.message))
        except StopAsked as stop:
            return self._cut(_End(3, stop.message), "stopped")
        except Refused as refused:
            return self._cut(_End(5, refused.message), "refused")
        except Breach as breach:
            hint = step.hints.get(ReadingClass.FAR_HIGH, "")
            return self._cut(_End(1, f"{breach.message} {hint}".rstrip()), "fail")
        except (StoreError, Lapsed):
            raise
        except BenchrigError as trouble:
            self._keep_traffic()
            return self._cut(_End(trouble.exit_code, str(trouble)))
        self._guard.done()
        return done

    def _keep_traffic(self) -> None:
        """What was said last on every link: who looks for the fault can see it, or make a test of it."""
        for name, dialogue in self._services.tools.traffic().items():
            self._store.traffic(name, dialogue, self._clock.now())

    def _power_for(self, step: Step, row: int) -> bool:
        """Switch the unit as the step needs it. A hazardous step sees to it by itself."""
        if step.sees_to_power:
            return True
        if "unplugged" in step.conditions:
            return self._guard.need_power(False)
        unknown = self._guard.power is None and self._broken_off is not None
        if (step.reads or "powered" in step.conditions) and (unknown or self._guard.power is False):
            return self._guard.need_power(True)
        return True

    def _connected(self, step: Step, work: Work) -> bool:
        """True once the leads are where the step needs them.

        Unattended, they must hang there from the start: none that hangs at one point of the job is at another.
        """
        if step.hazard is not None:
            return True  # asked at its hold point, with the power off
        leads, attended = self._guard.leads, self._services.operator.attended
        moved = leads.to_move(step)
        if not moved:
            return True
        if not attended:
            if leads.known(moved):
                return False
            leads.put(moved)
            return True
        named = ", ".join(f"{instrument} to {point}" for (instrument, _), (point, _) in moved.items() if point)
        text = f"{step.instruction or step.title} ({named})" if named else step.instruction or step.title
        if work.choose(text, ("connected", "not connected"), "connect") != "connected":
            return False
        leads.put(moved)
        return True

    def _cut(self, end: _End, verdict: str = "stopped") -> Done:
        self._end = end
        self._guard.cut(end.words)
        return Done(StepResult(verdict, words=end.words))

    def _secure(self) -> None:
        if not self._guard.secure(self._last):
            self._end = self._end or _End(5, self._guard.session.ending)

    def _make_all_safe(self, why: str) -> None:
        """Whatever is live when the job ends is made safe first; where it is cut, by the supply before all else."""
        self._services.reserve.release()
        if self._end is not None:
            self._guard.cut(why)
        if self._guard.session.phase is SessionPhase.LIVE_READY:
            if self._end is not None and not self._guard.seen_off_by_supply:
                self._guard.supply_off()
            self._secure()
        self._guard.end()

    def _close(self, job: int) -> Outcome:
        exit_code, words = self._verdict()
        self._store.end_job(words, exit_code, self._clock.now(), self._clock.stamp())
        self._tell(JobEnded(job, words, exit_code))
        return Outcome(job, exit_code, words, self._plan, dict(self._ended))

    def _verdict(self) -> tuple[int, str]:
        if self._end is not None:
            return self._end.exit_code, self._end.words
        out = [s.id for s in self._procedure.steps if self._plan.status[s.id] in (Status.BAD, Status.BLOCKED)]
        if self._plan.fighting:
            pairs = "; ".join(f"{a} and {b} keep changing each other" for a, b in self._plan.fighting)
            return 1, f"not all in tolerance: {pairs}"
        if out:
            return 1, f"not all in tolerance: {', '.join(out)}"
        skipped = [s.id for s in self._procedure.steps if self._plan.status[s.id] is Status.SKIPPED]
        if skipped:
            return 1, f"not everything done: {', '.join(skipped)} skipped"
        return 0, "all in tolerance"

    # the record

    def _begin_row(self, step: Step, purpose: str = "") -> int:
        facts = step_facts(step, self._number(step), self._plan.rounds.get(step.id, 0), purpose)
        return self._store.begin_step(facts, self._clock.now(), self._clock.stamp())

    def _end_row(self, step: Step, row: int, result: StepResult) -> None:
        self._store.end_step(row, result, self._clock.now(), self._clock.stamp())
        self._ended[step.id] = result
        self._tell(StepEnded.of(step.id, result))

    def _number(self, step: Step) -> int:
        return self._procedure.steps.index(step) + 1

    def _tell(self, notice: Notice) -> None:
        self._services.operator.notify(notice)


def _cut_by(error: BaseException) -> _End:
    if isinstance(error, BenchrigError):
        return _End(error.exit_code, error.message)
    if isinstance(error, KeyboardInterrupt | SystemExit):
        return _End(3, "ended from outside")
    return _End(4, f"the program failed: {type(error).__name__}: {error}")


def run(
    procedure: Procedure,
    bench: Tools,
    operator: Operator,
    store: Store,
    clock: Clock | None = None,
    *,
    serial: str = "",
    environment: Mapping[str, Any] | None = None,
    resume: int | None = None,
    alarms: Bell | None = None,
) -> Outcome:
    """Run `procedure` on `bench` with `operator`, everything into `store`.

    serial       of the unit; plain text, and it must match the procedure's pattern where one is given
    environment  what else belongs in the record (temperature, mains voltage), in JSON's own types
    resume       number of a job of `store` that was broken off or stopped, to go on with
    alarms       who is called when nobody is there; nobody, if not given

    Raises FileError before anything is started if the serial does not fit, or the job to go on with is of another
    unit or procedure; StoreError if the record fails.
    """
    check_serial(serial, procedure.serial, procedure.unit)
    services = Services(procedure, bench, operator, store, clock or RealClock(), alarms=alarms)
    broken_off = None
    with History(store.path) as history:
        services.known.update(recalled(history, procedure.unit, serial, simulated=bench.all_doubles()))
        if resume is not None:
            broken_off = (resume, take_up(history, resume, procedure, serial))
    return Runner(services, serial, environment or {}, broken_off).run()
