"""A question to the person, and the answer in the record."""

from __future__ import annotations

from ..clock import Clock
from ..records.facts import Store
from .operators import Operator, Question


def ask(operator: Operator, question: Question, store: Store, row: int | None, clock: Clock) -> str | None:
    """What the person chose, recorded under the step of `row` if there is one; None if they would not."""
    chosen = operator.choose(question)
    facts = {"asked": question.text, "about": question.about, "chosen": chosen}
    store.event(row, "answer", facts, clock.now(), clock.stamp())
    return chosen
