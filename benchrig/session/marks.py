"""Old positions of trimmers, marked by hand inside the unit: asked for once, before anything is switched on.

Rules it keeps:
- One question for all trimmers of the job, before its first step for which the unit is not unplugged.
- Nothing is asked where nobody is there to turn anything, nor a second time in a job that is taken up again: by then
  a trimmer may stand where it was turned to.
"""

from __future__ import annotations

from ..procedure.model import Procedure, Step
from .work import Work

MARKED = "marked"
CHOICES = (MARKED, "not marked")


def to_mark(procedure: Procedure) -> tuple[str, ...]:
    """Names of the trimmers whose old position is to be marked, in the order of the steps."""
    named = (it.name for step in procedure.steps for it in step.trimmers if it.mark)
    return tuple(dict.fromkeys(named))


def ask_for_marks(work: Work, step: Step) -> None:
    """Ask once, before the first step in which the unit may be switched on; the answer is kept for every trimmer."""
    services = work.services
    names = [name for name in to_mark(services.procedure) if name not in services.marked]
    if "unplugged" in step.conditions or not names or not services.operator.attended:
        return
    stand = "stands" if len(names) == 1 else "stand"
    listed = " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))
    text = f"Unit off and plug pulled: before anything is switched on, mark where {listed} {stand} now."
    chosen = work.choose(text, CHOICES, "mark", ", ".join(names))
    services.marked.update(dict.fromkeys(names, chosen or CHOICES[1]))
