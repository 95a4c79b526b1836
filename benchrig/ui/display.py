"""What shows notices. A display that only writes them has nothing to do between them, nor at its end."""

from __future__ import annotations

from typing import Protocol

from ..session.notices import Notice


class Display(Protocol):
    """Something that shows notices."""

    def show(self, notice: Notice) -> None: ...

    def tick(self) -> None:
        """Draw what had to wait; called often."""
        return

    def close(self) -> None:
        """Give back what was taken, such as the screen."""
        return


class Screen(Display, Protocol):
    """A display that a person reads and that can make room for a question."""

    def say(self, words: str, style: str = "") -> None: ...

    def suspend(self) -> None:
        """Make room; the next notice may take it again."""

    def fill(self) -> None:
        """The gauge over the whole screen, and back."""
