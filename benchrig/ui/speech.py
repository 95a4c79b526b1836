"""A few spoken words, through the system's own speech program where there is one; silence where not.

Rules it keeps:
- Words are only said when they are new, one at a time: speech is slow, and a late word is worse than none.
- A way to turn is said when it is another than the one said last; "stop" always.
- Nothing here waits for the program, and nothing raises.
"""

from __future__ import annotations

import contextlib
import shutil
import subprocess
from collections.abc import Callable, Sequence

from ..trim.types import Cue, TrimView

PROGRAMS: Sequence[Sequence[str]] = (("espeak-ng", "-s", "200"), ("spd-say", "--wait"), ("say",))
WORDS = {
    Cue.PASSED: "back",
    Cue.GOOD: "good, hands off",
    Cue.ACCEPTED: "accepted",
    Cue.STOP: "stop",
    Cue.DEAD: "nothing moves",
    Cue.END_STOP: "end of travel, back off",
    Cue.JUMPS: "wiper jumps",
    Cue.CEILING: "let go",
    Cue.LOST: "link lost",
}
TURNS = {Cue.UP: "up", Cue.DOWN: "down", Cue.SLOW_UP: "slowly up", Cue.SLOW_DOWN: "slowly down"}


def program(find: Callable[[str], str | None] = shutil.which) -> tuple[str, ...] | None:
    """The command that speaks, without its words; None where there is none."""
    return next((tuple(command) for command in PROGRAMS if find(command[0])), None)


def words_of(view: TrimView) -> str:
    """What is said of a view: "clockwise" where the way is known, "up" where it is not; "" for nothing."""
    if view.cue not in TURNS or view.turn is None:
        return WORDS.get(view.cue) or TURNS.get(view.cue, "")
    return f"slowly {view.turn}" if view.cue in (Cue.SLOW_UP, Cue.SLOW_DOWN) else str(view.turn)


class Speaker:
    """Says each new cue once."""

    def __init__(self, command: Sequence[str] | None) -> None:
        self._command = command
        self._cue: Cue | None = None
        self._turn = ""
        self._speaking: list[subprocess.Popen[bytes]] = []  # the last one may still speak; the others end

    def show(self, view: TrimView) -> None:
        """Say the cue of `view` if it is new and has words. Returns at once, never raises."""
        words, turns = words_of(view), view.cue in TURNS
        said = words == self._turn if turns else view.cue is self._cue
        self._cue = view.cue
        self._turn = words if turns else self._turn
        if words and not said:
            self.say(words)

    def say(self, words: str) -> None:
        """Say this instead of what is being said. Returns at once, never raises."""
        self.hush()
        if self._command is None:
            return
        with contextlib.suppress(OSError):
            started = subprocess.Popen(
                [*self._command, words],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
            self._speaking.append(started)

    def hush(self) -> None:
        """End what is being said; the ended are not waited for."""
        self._speaking = [process for process in self._speaking if process.poll() is None]
        for process in self._speaking:
            with contextlib.suppress(OSError):
                process.terminate()
