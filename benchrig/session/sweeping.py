"""Steps that ask whether a wiper is clean: the hand turns to and fro, the trim engine watches.

Rules kept here:
- The sweep moves what the trimmer sets: it counts as a change, so whatever sets that trimmer is opened again.
- A wiper that was not seen moving is never called clean.
"""

from __future__ import annotations

from dataclasses import replace

from ..procedure.model import Limits, ReadingClass, WiperCheck, only_ceiling
from ..records.facts import StepResult
from ..trim import wiper
from ..units import show
from .doers import Done, Results, absent
from .looking import look
from .trims import AS_FOUND, mark
from .turning import STALE, Gauge, begin, events
from .verdicts import Value
from .work import Work

WORDS = {
    wiper.Wiper.CLEAN: "the wiper is clean",
    wiper.Wiper.SCRATCHY: "the wiper jumps: clean it",
    wiper.Wiper.UNKNOWN: "nothing was seen of the wiper: is it the right trimmer, and the right point?",
}


def do_wiper(work: Work, step: WiperCheck, results: Results) -> Done:
    """To and fro around where it stands; answered "clean", "scratchy" or "not seen"."""
    found = look(work, step.source, only_ceiling(step.source.unit, step.ceiling), AS_FOUND).value(None)
    if found is None:
        unit = step.source.unit
        return Done(absent(step, unit, Limits(unit, None, None, None, None), "No usable reading came."))
    mark(work, step.trimmer, found)
    swept = sweep(work, step, found)
    words = f"{WORDS[swept.wiper]} ({swept.swings} jumps in {swept.readings} readings of {swept.strokes} strokes)"
    hint = step.hints.get(ReadingClass.NOISY, "") if swept.wiper is wiper.Wiper.SCRATCHY else ""
    result = StepResult(
        "pass" if swept.wiper is wiper.Wiper.CLEAN else "fail",
        unit=found.unit,
        words="; ".join(part for part in (words, hint) if part),
        details={"as_found": found.value, "as_found_uncertainty": found.uncertainty},
    )
    return Done(result, changed=True, answer=str(swept.wiper))


def sweep(work: Work, step: WiperCheck, found: Value) -> wiper.Swept:
    """Guide the hands until the engine has seen enough."""
    asked = wiper.Sweep(found.unit, step.reach, step.settle, step.ceiling, stale_after=max(STALE, 2.5 * found.pace))
    state = wiper.start(asked, work.clock.now(), found.value)
    text = f"Turn {step.trimmer.name} slowly to and fro, {show(step.reach, found.unit)} to each side. Follow the gauge."
    work.say(text)
    begin(work)
    swept = wiper.Swept(wiper.Wiper.UNKNOWN, 0, 0, 0, work.clock.now())
    stops = only_ceiling(step.source.unit, step.ceiling)
    with work.feed(step.source, stops) as feed:
        while state.phase is not wiper.Phase.ENDED:
            item = work.take(feed, step.source, stops)
            for event in events(work, item):
                state, effects = wiper.step(state, event)
                swept = next((it for it in effects if isinstance(it, wiper.Swept)), swept)
            _gauge(work, step, state).show(wiper.view(state, work.clock.now()), item)
    return swept


def _gauge(work: Work, step: WiperCheck, state: wiper.SweepState) -> Gauge:
    """The gauge with the side that is turned to for its target."""
    goal = replace(state.sweep.goal(state.middle, state.way), span=step.span, travel=step.trimmer.travel)
    return Gauge(work.tell, step.id, step.trimmer.name, goal)
