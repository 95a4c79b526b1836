"""A few spoken words, through the system's own speech program where there is one; silence where not.

Words are only said when they are new, one at a time: speech is slow, and a late word is worse than none.
"""

from __future__ import annotations

import contextlib
import shutil
import subprocess
from collections.abc import Callable, Sequence

from ..trim.types import Cue

PROGRAMS: Sequence[Sequence[str]] = (("espeak-ng", "-s", "200"), ("spd-say", "--wait"), ("say",))
WORDS = {
    Cue.PASSED: "back",
    Cue.GOOD: "good, hands off",
    Cue.ACCEPTED: "accepted",
    Cue.STOP: "stop",
    Cue.DEAD: "nothing moves",
    Cue.END_STOP: "end stop",
    Cue.JUMPS: "wiper jumps",
    Cue.CEILING: "let go",
    Cue.LOST: "link lost",
}


def program(find: Callable[[str], str | None] = shutil.which) -> tuple[str, ...] | None:
    """The command that speaks, without its words; None where there is none."""
    return next((tuple(command) for command in PROGRAMS if find(command[0])), None)


class Speaker:
    """Says each new cue once."""

    def __init__(self, command: Sequence[str] | None) -> None:
        self._command = command
        self._cue: Cue | None = None
        self._speaking: subprocess.Popen[bytes] | None = None

    def show(self, cue: Cue) -> None:
        """Say `cue` if it is new and has words. Returns at once, never raises."""
        if cue is self._cue:
            return
        self._cue = cue
        words = WORDS.get(cue)
        if words is None or self._command is None:
            return
        self.hush()
        with contextlib.suppress(OSError):
            self._speaking = subprocess.Popen(
                [*self._command, words],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )

    def hush(self) -> None:
        """End what is being said."""
        if self._speaking is None:
            return
        if self._speaking.poll() is None:
            with contextlib.suppress(OSError):
                self._speaking.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._speaking.wait(0.2)
        self._speaking = None
