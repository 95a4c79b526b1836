"""An alarm to be heard at the bench: through the sound card where there is one, the bell where not; then its words."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Callable, Sequence
from typing import TextIO

from ..alarms.types import Alarm, AlarmError, Severity, headline
from ..trim.types import Cue, TrimView
from . import speech
from .tones import Card, Player, player

RINGING = 3.0  # s
SPEAKING = 20.0  # s that speech may take
_SOUNDS: dict[Severity, Cue] = {"warning": Cue.LOST, "stop": Cue.CEILING}


class AlarmRing:
    """A caller for whoever is within hearing. The card is opened for each alarm: nights are long, cables get pulled.

    find: what to play on, or None.  speak: see `speech.program`; None where nothing is to be said.
    """

    name = "sound"
    least: Severity = "warning"

    def __init__(
        self,
        find: Callable[[], Player | None],
        speak: Sequence[str] | None = None,
        wait: Callable[[float], object] = time.sleep,
    ) -> None:
        self._find = find
        self._speak = speak
        self._wait = wait

    def call(self, alarm: Alarm) -> None:
        found = self._find()
        if found is None and not self._speak:
            raise AlarmError("There is no sound card and no terminal to ring.", next_step='Set sound = "off".')
        if found is not None:
            found.show(_view(_SOUNDS[alarm.severity]))
            self._wait(RINGING)
            found.close()
        if self._speak:
            self._say(headline(alarm))

    def _say(self, words: str) -> None:
        assert self._speak
        try:
            subprocess.run(
                [*self._speak, words], timeout=SPEAKING, check=True, stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            )  # fmt: skip
        except (OSError, subprocess.SubprocessError) as error:
            raise AlarmError(f"{self._speak[0]} did not speak: {type(error).__name__}.", again=False) from error


def open_ring(kind: str, terminal: TextIO) -> AlarmRing | None:
    """What `sound` in [alarms] asks for: "off", "bell", "tones" (the bell without a card), "speech" (tones, words)."""
    if kind == "off":
        return None
    return AlarmRing(lambda: _player(kind, terminal), speech.program() if kind == "speech" else None)


def _player(kind: str, terminal: TextIO) -> Player | None:
    found = player("bell" if kind == "bell" else "auto", _ringer(terminal))
    return found if isinstance(found, Card) or terminal.isatty() else None


def _ringer(terminal: TextIO) -> Callable[[str], object]:
    def ring(text: str) -> None:
        terminal.write(text)
        terminal.flush()

    return ring


def _view(cue: Cue) -> TrimView:
    return TrimView(None, None, cue, 0.0, None, (0.0, 0.0), False)
