"""Nobody is at the bench. Whatever needs hands, eyes or a decision is refused."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from .notices import Notice
from .operators import Command, EntryRequest, HoldRequest, Question


class AbsentOperator:
    """Refuses; `show` is told everything all the same."""

    name = "nobody"
    attended = False
    acts_for_person = True

    def __init__(self, show: Callable[[Notice], None] = lambda notice: None) -> None:
        self._show = show

    def acknowledge(self, hold: HoldRequest) -> str | None:
        return None

    def choose(self, question: Question) -> str | None:
        return None

    def enter(self, request: EntryRequest) -> str | None:
        return None

    def hands_off(self, step: str, reason: str) -> bool:
        return True  # there are none

    def notify(self, notice: Notice) -> None:
        self._show(notice)

    def commands(self) -> Sequence[Command]:
        return ()
