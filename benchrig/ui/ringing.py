"""An alarm to be heard at the bench: through the sound card where there is one, the bell where not; then its words."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Callable, Sequence

from ..alarms.types import Alarm, Severity, headline
from ..trim.types import Cue, TrimView
from .tones import Player

RINGING = 3.0  # s
SPEAKING = 20.0  # s that speech may take
_SOUNDS: dict[Severity, Cue] = {"warning": Cue.LOST, "stop": Cue.CEILING}


class Ring:
    """A caller for whoever is within hearing. `speak`: see `speech.program`."""

    least: Severity = "warning"

    def __init__(
        self, player: Player, speak: Sequence[str] | None = None, wait: Callable[[float], object] = time.sleep
    ) -> None:
        self.name = f"sound ({player.name})"
        self._player = player
        self._speak = speak
        self._wait = wait

    def call(self, alarm: Alarm) -> None:
        self._player.show(_view(_SOUNDS[alarm.severity]))
        self._wait(RINGING)
        self._player.show(_view(Cue.WAIT))
        if self._speak:
            self._say(headline(alarm))

    def _say(self, words: str) -> None:
        """Speech that fails is no failed alarm: it has rung already."""
        assert self._speak
        try:
            subprocess.run(
                [*self._speak, words], timeout=SPEAKING, check=False, stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            )  # fmt: skip
        except (OSError, subprocess.TimeoutExpired):
            return


def _view(cue: Cue) -> TrimView:
    return TrimView(None, None, cue, 0.0, None, (0.0, 0.0), False)
