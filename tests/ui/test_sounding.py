"""What a job sounds like: the right cues at the right moments, and never a reason to stop."""

import io
import wave

import numpy as np
import pytest

from benchrig.errors import FileError
from benchrig.session import notices as n
from benchrig.trim.types import Cue, Goal, TrimView
from benchrig.ui import sounding, speech
from benchrig.ui.sounding import WavFile, open_sound
from benchrig.ui.tones import IN_TONE, RATE

GOAL = Goal(5.0, 4.9, 5.1, "V")


def moved(cue, position=0.8):
    return n.TrimMoved("s", GOAL, TrimView(5.0, 0.0, cue, 0.0, position, (-1 / 3, 1 / 3), False), "RV1")


def recorded(path, *told):
    """Samples of a WAV file of `told`: (seconds, notice), five seconds in all."""
    now = [100.0]
    file = WavFile(path, lambda: now[0])
    for at, notice in told:
        now[0] = 100.0 + at
        file.show(notice)
    now[0] = 105.0
    file.close()
    file.close()
    with wave.open(str(path)) as back:
        assert (back.getnchannels(), back.getsampwidth(), back.getframerate()) == (1, 2, RATE)
        return np.frombuffer(back.readframes(back.getnframes()), "<i2") / 32767.0


def power_at(samples, frequency):
    """Share of the power within 10 Hz of a frequency."""
    power = np.abs(np.fft.rfft(samples * np.hanning(len(samples)))) ** 2
    lines = np.fft.rfftfreq(len(samples), 1.0 / RATE)
    return power[np.abs(lines - frequency) < 10.0].sum() / power.sum()


def test_a_recording_holds_each_cue_at_its_moment(tmp_path):
    """Silence, then falling glides, then the steady tone of "in", then silence with the end of the step."""
    ended = n.StepEnded("s", "pass", 5.0, "V", None)
    told = [(1.0, moved(Cue.DOWN)), (2.5, moved(Cue.GOOD, 0.0)), (4.0, ended)]
    sound = recorded(tmp_path / "cues.wav", *told)
    assert len(sound) == 5 * RATE
    first, turning, inside, after = (
        sound[int(a * RATE) : int(b * RATE)] for a, b in ((0, 1), (1, 2.5), (2.6, 4), (4.01, 5))
    )
    assert not first.any()
    assert turning.any()
    assert power_at(turning, IN_TONE) < 0.02
    assert power_at(inside, IN_TONE) > 0.99
    assert not after.any()


def test_a_recording_that_cannot_be_written_is_refused_before_the_job(tmp_path):
    with pytest.raises(FileError, match="cannot be written"):
        WavFile(tmp_path / "nowhere" / "cues.wav", lambda: 0.0)


class Tty(io.StringIO):
    def isatty(self):
        return True


def test_off_opens_nothing():
    assert open_sound("off", Tty(), pytest.fail) is None


@pytest.mark.parametrize("kind", ["tones", "speech"])
def test_what_cannot_be_had_becomes_the_bell_with_a_note(monkeypatch, kind):
    """And the bell rings on the terminal, once for a cue that matters."""
    monkeypatch.setattr(sounding, "player", lambda kind: sounding.Off())
    monkeypatch.setattr(speech, "program", lambda: None)
    terminal, notes = Tty(), []
    sounds = open_sound(kind, terminal, notes.append)
    for cue in (Cue.UP, Cue.STOP, Cue.STOP):
        sounds.show(moved(cue))
    sounds.close()
    assert terminal.getvalue() == "\a"
    assert len(notes) == 1
    assert "instead" in notes[0]


def test_no_terminal_is_no_trouble():
    """A log gets no bell characters."""
    log, notes = io.StringIO(), []
    sounds = open_sound("bell", log, notes.append)
    sounds.show(moved(Cue.STOP))
    assert log.getvalue() == ""
    assert notes == ["No terminal to ring: no sound."]
