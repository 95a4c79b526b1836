"""What the hands hear: a trim's cue as tones, so that the eyes can stay on the chassis.

The coding follows published findings on aural tracking and distance aids: direction by the way a pitch glides (a
change of pitch of a few tenths of a per cent is noticed, these glide by a third of an octave and more), distance by
how fast the sounds repeat (a change of a few per cent of the beat is noticed), a steady tone when it is in, and a
sound of another kind beyond the target.

Rules it keeps:
- `pattern` and `render` are pure: the same cues give the same samples. Nothing here decides anything.
- What asks for still hands is silent, save that "stop" itself is heard once.
- A part of a turn that is asked for can be counted.
- No sound card, no library, no trouble: `player` never raises for want of sound, and prints nothing.
"""

from __future__ import annotations

import contextlib
import io
import math
import os
import sys
import threading
import wave
from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from ..trim.types import Cue, TrimView

RATE = 16_000  # samples per second; the highest tone is far below half of it
LEVEL = 0.5  # of full scale
FADE = 0.004  # s, at both ends of a note: no clicks
BUFFER = 20  # ms
HIGH_PIP, LOW_PIP = 1400.0, 350.0  # Hz, an eighth of a turn; five degrees
ASKED_EVERY = 7.0  # s
IN_TONE = 1000.0  # Hz, steady while the reading is in
FASTEST, SLOWEST = 0.14, 0.8  # s between sounds, at the window and far away
Samples = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Note:
    """`seconds` of a tone that glides from `start` to `end` Hz; silence where both are 0."""

    seconds: float
    start: float
    end: float


@dataclass(frozen=True, slots=True)
class Pattern:
    """Notes that are played one after the other; again every `period` seconds, or once if it is None."""

    notes: tuple[Note, ...]
    period: float | None

    @property
    def seconds(self) -> float:
        return math.fsum(note.seconds for note in self.notes)


SILENCE = Pattern((), None)
_RISE = (Note(0.08, 520.0, 780.0),)
_FALL = (Note(0.08, 780.0, 520.0),)
_TURNS = {Cue.UP: _RISE, Cue.SLOW_UP: _RISE, Cue.DOWN: _FALL, Cue.SLOW_DOWN: _FALL}
_FIXED = {
    Cue.STOP: Pattern((Note(0.12, 330.0, 330.0),), None),
    Cue.GOOD: Pattern((Note(0.25, IN_TONE, IN_TONE),), 0.25),
    Cue.ACCEPTED: Pattern((Note(0.1, 1000.0, 1000.0), Note(0.1, 1250.0, 1250.0), Note(0.2, 1500.0, 1500.0)), None),
    Cue.DEAD: Pattern((Note(0.1, 260.0, 260.0),), 1.0),
    Cue.END_STOP: Pattern((Note(0.1, 260.0, 260.0), Note(0.06, 0.0, 0.0), Note(0.1, 260.0, 260.0)), 1.0),
    Cue.JUMPS: Pattern((Note(0.05, 300.0, 900.0), Note(0.05, 900.0, 300.0)) * 2, 1.0),
    Cue.CEILING: Pattern((Note(0.15, 1800.0, 1800.0), Note(0.15, 600.0, 600.0)), 0.3),
    Cue.LOST: Pattern((Note(0.15, 440.0, 440.0), Note(0.15, 220.0, 220.0)), 2.0),
}


def pattern(view: TrimView) -> Pattern:
    """The sound of a view."""
    if view.asked is not None:
        return _asked(view.asked)
    if view.cue is Cue.PASSED:  # two short pulses of a low tone of their own: beyond
        pulse = Note(0.05, 420.0, 420.0)
        return Pattern((pulse, Note(0.03, 0.0, 0.0), pulse), interval(view))
    if view.cue in _TURNS:
        return Pattern(_TURNS[view.cue], interval(view))
    return _FIXED.get(view.cue, SILENCE)


def _asked(degrees: float) -> Pattern:
    """A stated part of a turn, every few seconds: the way as a long glide, up for clockwise; then pips to be counted.

    High pips are eighths of a turn, up to two turns; low ones are fives of degrees, below an eighth.
    """
    way = Note(0.35, 440.0, 880.0) if degrees > 0.0 else Note(0.35, 880.0, 440.0)
    small = abs(degrees) < 40.0
    count = round(abs(degrees) / (5.0 if small else 45.0))
    pip = Note(0.08, *(2 * (LOW_PIP if small else HIGH_PIP,)))
    pips = tuple(note for _ in range(min(max(count, 1), 16)) for note in (Note(0.12, 0.0, 0.0), pip))
    return Pattern((way, Note(0.2, 0.0, 0.0), *pips), ASKED_EVERY)


def interval(view: TrimView) -> float:
    """Seconds from sound to sound: shorter the nearer the reading stands to its window on the bar."""
    edge = max(abs(view.edges[0]), abs(view.edges[1]), 1e-6)
    away = 1.0 if view.position is None else max(0.0, abs(view.position) - edge) / max(1e-6, 1.0 - edge)
    return FASTEST * math.pow(SLOWEST / FASTEST, min(1.0, away))


def tone(note: Note, rate: int = RATE) -> Samples:
    """The samples of one note, shape (n,), -LEVEL..LEVEL."""
    count = round(note.seconds * rate)
    if note.start <= 0.0:
        return np.zeros(count, np.float32)
    moments = np.arange(count) / rate
    phase = 2.0 * math.pi * (note.start * moments + (note.end - note.start) * moments**2 / (2.0 * note.seconds))
    edge = np.minimum(moments, note.seconds - moments) / FADE
    return np.asarray(LEVEL * np.sin(phase) * np.clip(edge, 0.0, 1.0), np.float32)


class Voice:
    """Samples without end, for whatever pattern is set; a new pattern is heard at the next block."""

    def __init__(self, rate: int = RATE) -> None:
        self.rate = rate
        self._pattern = SILENCE
        self._left: Samples = np.zeros(0, np.float32)
        self._once = False
        self._phase = 0.0
        self._lock = threading.Lock()  # set by the screen's thread, taken by the sound card's

    def set(self, wanted: Pattern) -> None:
        """Play `wanted` from its beginning, unless it is the one that plays; a new period alone cuts nothing short."""
        with self._lock:
            if wanted == self._pattern:
                return
            same = wanted.notes == self._pattern.notes and wanted.period is not None
            self._pattern = wanted
            if not same:
                self._left, self._once = np.zeros(0, np.float32), False

    def take(self, count: int) -> Samples:
        """The next `count` samples."""
        with self._lock:
            while len(self._left) < count:
                self._left = np.concatenate([self._left, self._round(count)])
            block, self._left = self._left[:count], self._left[count:]
            return block

    def _round(self, count: int) -> Samples:
        now = self._pattern
        if not now.notes or (now.period is None and self._once):
            return np.zeros(count, np.float32)
        self._once = True
        if now == _FIXED[Cue.GOOD]:
            return self._steady()
        sound = np.concatenate([tone(note, self.rate) for note in now.notes])
        pause = 0.0 if now.period is None else max(0.0, now.period - now.seconds)
        return np.concatenate([sound, np.zeros(round(pause * self.rate), np.float32)])

    def _steady(self) -> Samples:
        """A stretch of the steady tone that joins on to the one before without a seam."""
        count = round(0.25 * self.rate)
        turn = 2.0 * math.pi * IN_TONE / self.rate
        phase = self._phase + turn * np.arange(count)
        self._phase = (self._phase + turn * count) % (2.0 * math.pi)
        return np.asarray(LEVEL * np.sin(phase), np.float32)


def render(views: Sequence[tuple[float, TrimView]], seconds: float, rate: int = RATE) -> Samples:
    """The sound of a stream of views, each from its moment on; shape (seconds * rate,)."""
    voice, blocks, at = Voice(rate), [], 0
    for moment, view in [*views, (seconds, None)]:
        until = min(round(moment * rate), round(seconds * rate))
        if until > at:
            blocks.append(voice.take(until - at))
            at = until
        if view is not None:
            voice.set(pattern(view))
    return np.concatenate(blocks) if blocks else np.zeros(0, np.float32)


def wav(samples: Samples, rate: int = RATE) -> bytes:
    """A WAV file: one channel, 16 bits."""
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate)
        file.writeframes((np.clip(samples, -1.0, 1.0) * 32767.0).astype("<i2").tobytes())
    return out.getvalue()


class Player(Protocol):
    """Something that can be heard."""

    name: str

    def show(self, view: TrimView) -> None:
        """Sound like this from now on. Returns at once, never raises."""
        ...

    def close(self) -> None:
        """Fall silent."""
        ...


class Off:
    """Silence."""

    name = "off"

    def show(self, view: TrimView) -> None:
        pass

    def close(self) -> None:
        pass


class BellTone:
    """The terminal's bell, once for each cue that matters: there is no more in it."""

    name = "bell"
    _RINGS = frozenset(
        {Cue.STOP, Cue.PASSED, Cue.GOOD, Cue.ACCEPTED, Cue.CEILING, Cue.LOST, Cue.JUMPS, Cue.DEAD, Cue.END_STOP}
    )

    def __init__(self, write: Callable[[str], object]) -> None:
        self._write = write
        self._cue = Cue.WAIT

    def show(self, view: TrimView) -> None:
        if view.cue is not self._cue and view.cue in self._RINGS:
            with contextlib.suppress(OSError, ValueError):
                self._write("\a")
        self._cue = view.cue

    def close(self) -> None:
        pass


class Card:
    """The sound card, through the optional library, with small buffers."""

    name = "tones"

    def __init__(self, device: Any) -> None:
        self._device = device
        self._voice = Voice()
        stream = self._stream()
        next(stream)
        device.start(stream)

    def show(self, view: TrimView) -> None:
        self._voice.set(pattern(view))

    def close(self) -> None:
        with contextlib.suppress(Exception):  # a card that was pulled out may fail in any way, and we are leaving
            self._device.close()

    def _stream(self) -> Generator[Any, int, None]:
        count = yield b""
        while True:
            count = yield (self._voice.take(count) * 32767.0).astype(np.int16)


def player(kind: str = "auto", write: Callable[[str], object] = sys.stdout.write) -> Player:
    """What to play cues on: "off", "bell", or "auto": the sound card where there is one, the bell where not.

    Open it before a live screen starts: sound libraries may write to the terminal while they look for a card.
    """
    if kind == "off":
        return Off()
    if kind == "bell":
        return BellTone(write)
    try:
        import miniaudio

        with _quiet_stderr():
            device = miniaudio.PlaybackDevice(
                output_format=miniaudio.SampleFormat.SIGNED16, nchannels=1, sample_rate=RATE, buffersize_msec=BUFFER
            )
            return Card(device)
    except Exception:  # no library, no card, no permission: all the same to the person
        return BellTone(write)


@contextlib.contextmanager
def _quiet_stderr() -> Iterator[None]:
    """Keep C libraries off the terminal: file descriptor 2 leads nowhere inside."""
    try:
        kept = os.dup(2)
    except OSError:
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)
