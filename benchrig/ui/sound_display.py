"""What a running job or a watch sounds like: a display for the ears, beside any display for the eyes.

Rules it keeps:
- A trim's cues are heard; a question, a hold point and a step's end fall silent first.
- What cannot be had is replaced by the next best, with one note that says why; sound never stops a job.
- A recording is the same samples that a card would play, at the moments at which they were told.
"""

from __future__ import annotations

import wave
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TextIO

from ..errors import FileError
from ..session import notices as n
from ..trim.types import Cue, TrimView
from . import speech
from .sentences import sentence
from .tones import RATE, BellTone, Card, Off, Player, Voice, pattern, player

KINDS = ("off", "bell", "tones", "speech")
SILENT = TrimView(None, None, Cue.WAIT, 0.0, None, (0.0, 0.0), False)
_HUSH = (n.StepStarted, n.StepEnded, n.HoldPointReached, n.HoldPointLapsed, n.JobEnded)


class Sounds:
    """A display that is heard: tones or the bell, and spoken words where there is a speaker."""

    def __init__(self, player: Player, speaker: speech.Speaker | None = None) -> None:
        self._player = player
        self._speaker = speaker

    def show(self, notice: n.Notice) -> None:
        if isinstance(notice, n.TrimMoved):
            self._player.show(notice.view)
            if self._speaker is not None:
                self._speaker.show(notice.view)
        elif isinstance(notice, n.TurnAdvised):
            if self._speaker is not None:
                self._speaker.say(sentence(notice).strip())
        elif isinstance(notice, _HUSH):
            self._player.show(SILENT)

    def tick(self) -> None:
        """Sound goes on by itself."""

    def close(self) -> None:
        self._player.close()
        if self._speaker is not None:
            self._speaker.hush()


class WavFile:
    """A display that writes what would be heard to a WAV file: one channel, 16 bits. `now` gives seconds.

    Raises FileError where the file cannot be written.
    """

    def __init__(self, path: Path, now: Callable[[], float]) -> None:
        self._path = path
        self._now = now
        self._began = now()
        self._written = 0
        self._voice = Voice()
        self._closed = False
        try:
            self._stream = path.open("wb")
        except OSError as error:
            raise self._trouble(error) from error
        self._file = wave.open(self._stream, "wb")  # noqa: SIM115  # closed by `close`
        self._file.setnchannels(1)
        self._file.setsampwidth(2)
        self._file.setframerate(RATE)

    def show(self, notice: n.Notice) -> None:
        if isinstance(notice, n.TrimMoved):
            self._set(notice.view)
        elif isinstance(notice, _HUSH):
            self._set(SILENT)

    def tick(self) -> None:
        """Written up to now when the next notice comes, or at the end."""

    def close(self) -> None:
        """Write the rest. Safe to call twice."""
        if not self._closed:
            self._closed = True
            self._write_up_to_now()
            self._file.close()
            self._stream.close()

    def _set(self, view: TrimView) -> None:
        self._write_up_to_now()
        self._voice.set(pattern(view))

    def _write_up_to_now(self) -> None:
        count = round((self._now() - self._began) * RATE) - self._written
        while count > 0:
            block = self._voice.take(min(count, RATE))
            try:
                self._file.writeframesraw((block * 32767.0).astype("<i2").tobytes())
            except OSError as error:
                raise self._trouble(error) from error
            self._written += len(block)
            count -= len(block)

    def _trouble(self, error: OSError) -> FileError:
        return FileError(f"{self._path} cannot be written: {error.strerror}.", next_step="Name a file that can be.")


def open_sound(kind: str, terminal: TextIO, note: Callable[[str], object]) -> Sounds | None:
    """The display for `kind` (one of `KINDS`), None for "off"; `note` is told where the next best was taken.

    Open it before a live screen starts: sound libraries may write to the terminal while they look for a card.
    """
    if kind == "off":
        return None
    speaker = _speaker(note) if kind == "speech" else None
    if speaker is not None:
        return Sounds(Off(), speaker)
    if kind == "tones":
        tones = player("auto")
        if isinstance(tones, Card):
            return Sounds(tones)
        note("No sound card, or no miniaudio (pip install 'benchrig[sound]'): the terminal's bell instead of tones.")
    return Sounds(_bell(terminal, note))


def _speaker(note: Callable[[str], object]) -> speech.Speaker | None:
    command: Sequence[str] | None = speech.program()
    if command is None:
        names = ", ".join(known[0] for known in speech.PROGRAMS)
        note(f"No speech program ({names}): the terminal's bell instead of words.")
        return None
    return speech.Speaker(command)


def _bell(terminal: TextIO, note: Callable[[str], object]) -> Player:
    if not terminal.isatty():
        note("No terminal to ring: no sound.")
        return Off()

    def ring(text: str) -> None:
        terminal.write(text)
        terminal.flush()

    return BellTone(ring)
