"""Steps that ask whether a wiper is clean: the hand turns to and fro, the trim engine watches.

Rules kept here:
- The sweep moves what the trimmer sets: it counts as a change, so whatever sets that trimmer is opened again.
- A wiper that was not seen moving is never called clean.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Literal

from ..procedure.keys import Duration, Lower, Read, TurnedKeys, check_span, check_unit, value_of, with_ceiling
from ..procedure.notes import Notes
from ..procedure.quantities import Limits, ReadingClass, only_ceiling
from ..procedure.step import Neighbours, Part, Step
from ..records.facts import StepResult
from ..session.driving import Gauge, HandDrive
from ..session.hand_steps import AS_FOUND, mark
from ..session.results import Done, Results, absent
from ..session.steady_value import look
from ..session.tools import Item
from ..session.turning import STALE
from ..session.verdicts import Value
from ..session.work import Work
from ..tomlfile import AnyQuantity, KeyPath
from ..trim import wiper_sweep
from ..trim.types import TrimEvent
from ..units import show

WORDS = {
    wiper_sweep.Wiper.CLEAN: "the wiper is clean",
    wiper_sweep.Wiper.SCRATCHY: "the wiper jumps: clean it",
    wiper_sweep.Wiper.UNKNOWN: "nothing was seen of the wiper: is it the right trimmer, and the right point?",
}


class WiperSweep(Read, TurnedKeys, Step):
    """A trimmer is turned to and fro to see whether its wiper jumps; what sets it must come after.

    reach  how far the value may go to each side of where it stands
    span   value change over the whole travel, where known
    """

    kind: Literal["wiper-sweep"] = "wiper-sweep"
    reach: AnyQuantity
    settle: Duration = 0.3
    ceiling: AnyQuantity | None = None
    span: AnyQuantity | None = None

    @property
    def stops(self) -> Limits | None:
        """The ceiling, as limits."""
        return only_ceiling(self.source.unit, value_of(self.ceiling))

    def parts(self) -> tuple[Part, ...]:
        return (Part(self.source, trimmer=self.turned, aims=(value_of(self.ceiling),)),)

    @property
    def sets(self) -> frozenset[str]:
        return frozenset()

    @property
    def answers(self) -> tuple[str, ...]:
        return tuple(wiper_sweep.Wiper)

    def check_keys(self, path: KeyPath, notes: Notes) -> None:
        self.check_source(path, notes)
        unit = self.source.unit
        check_unit(self.reach, unit, (*path, "reach"), notes)
        if self.quiet:
            words = "A value that counts only in quiet phases cannot be followed to and fro."
            notes.add((*path, "quiet"), words, "Sweep at a point whose value stands.")
        if self.reach.value <= 0.0:
            notes.add((*path, "reach"), "A sweep goes to both sides.", "Give how far, above zero.")
        check_unit(self.ceiling, unit, (*path, "ceiling"), notes)
        check_span(self.span, unit, (*path, "span"), notes)

    def check(self, others: Neighbours, path: KeyPath, notes: Notes) -> None:
        """What a sweep has moved must be set again."""
        if not any(self.trimmer in step.sets for step in others.later):
            words = f"The sweep moves {self.trimmer}, and no later step sets it."
            notes.add((*path, "trimmer"), words, "Let a trim of it follow.")

    def with_ceilings(self, lower: Lower) -> WiperSweep:
        return with_ceiling(self, lower)

    def run(self, work: Work, results: Results) -> Done:
        """To and fro around where it stands; answered "clean", "scratchy" or "not seen"."""
        found = look(work, self.source, self.stops, AS_FOUND).value(None)
        if found is None:
            unit = self.source.unit
            return Done(absent(self, unit, Limits(unit, None, None, None, None), "No usable reading came."))
        mark(work, self.turned, found)
        sweeping = Sweeping(work, self, found)
        sweeping.run()
        swept = sweeping.swept
        words = f"{WORDS[swept.wiper]} ({swept.swings} jumps in {swept.readings} readings of {swept.strokes} strokes)"
        hint = self.hints.get(ReadingClass.NOISY, "") if swept.wiper is wiper_sweep.Wiper.SCRATCHY else ""
        result = StepResult(
            "pass" if swept.wiper is wiper_sweep.Wiper.CLEAN else "fail",
            unit=found.unit,
            words="; ".join(part for part in (words, hint) if part),
            details={"as_found": found.value, "as_found_uncertainty": found.uncertainty},
        )
        return Done(result, changed=True, answer=str(swept.wiper))


class Sweeping(HandDrive):
    """The hand turns to and fro until the engine has seen enough."""

    def __init__(self, work: Work, step: WiperSweep, found: Value) -> None:
        super().__init__(work, step.source, step.stops)
        reach, stale = step.reach.value, max(STALE, 2.5 * found.pace)
        asked = wiper_sweep.Sweep(found.unit, reach, step.settle, value_of(step.ceiling), stale_after=stale)
        self.state = wiper_sweep.start(asked, self.now, found.value)
        self.swept = wiper_sweep.Swept(wiper_sweep.Wiper.UNKNOWN, 0, 0, 0, self.now)
        self._step = step
        work.say(f"Turn {step.trimmer} slowly to and fro, {show(reach, found.unit)} to each side. Follow the gauge.")

    @property
    def over(self) -> bool:
        return self.state.phase is wiper_sweep.SweepPhase.ENDED

    def effects(self, event: TrimEvent) -> Iterable[object]:
        self.state, effects = wiper_sweep.step(self.state, event)
        self.swept = next((it for it in effects if isinstance(it, wiper_sweep.Swept)), self.swept)
        return effects

    def looked(self, got: Item | None) -> None:
        """The gauge has the side that is turned to for its target."""
        step, state = self._step, self.state
        goal = replace(state.sweep.goal(state.middle, state.way), span=value_of(step.span), travel=step.travel)
        Gauge(self.work.tell, step.id, step.trimmer, goal).show(wiper_sweep.view(state, self.now), got)
