"""What a job sounds like: the right cues at the right moments, and never a reason to stop."""

import io
import wave
from itertools import pairwise

import numpy as np
import pytest

from benchrig.errors import FileError
from benchrig.session import notices as n
from benchrig.trim.types import Cue, Goal, TrimView
from benchrig.ui import sound_display, speech
from benchrig.ui.sound_display import WavFile, open_sound
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
    monkeypatch.setattr(sound_display, "player", lambda kind: sound_display.Off())
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


def _heard(path):
    """(rate, samples) of a recording, read by the standard library alone."""
    with wave.open(str(path), "rb") as file:
        raw = file.readframes(file.getnframes())
        return file.getframerate(), np.frombuffer(raw, "<i2").astype(float) / 32768.0


def _sounds(rate, samples):
    """[(begin, end, Hz at the beginning, Hz at the end)] of every sound: from the envelope and zero crossings."""
    block = rate // 100
    loud = [np.abs(samples[i : i + block]).max() > 0.05 for i in range(0, len(samples) - block, block)]
    found, begin = [], None
    for i, on in enumerate([*loud, False]):
        if on and begin is None:
            begin = i
        if not on and begin is not None:
            part = samples[begin * block : i * block]
            part = np.trim_zeros(np.where(np.abs(part) > 0.02, part, 0.0))
            half = len(part) // 2
            found.append((begin / 100.0, i / 100.0, _pitch(part[:half], rate), _pitch(part[half:], rate)))
            begin = None
    return found


def _pitch(part, rate):
    return np.count_nonzero(np.diff(np.signbit(part))) / 2.0 / (len(part) / rate)


def _recorded(tmp_path, *told):
    """The sounds of a recording in which each view is shown for its seconds."""
    now = [0.0]
    path = tmp_path / "heard.wav"
    display = WavFile(path, lambda: now[0])
    for view, seconds in told:
        display.show(moved_to(view))
        now[0] += seconds
    display.close()
    return _sounds(*_heard(path))


def moved_to(view):
    return n.TrimMoved("eht", Goal(0.0, -1.0, 1.0, "V"), view, "RV41")


def seen(cue, position=0.9, **more):
    return TrimView(1.0, -1.0, cue, 0.0, position, (-1 / 3, 1 / 3), False, **more)


def test_with_the_eyes_shut_up_rises_and_down_falls(tmp_path):
    up = _recorded(tmp_path, (seen(Cue.UP), 3.0))
    down = _recorded(tmp_path, (seen(Cue.DOWN), 3.0))
    assert len(up) >= 3
    assert all(end > 1.1 * begin for _, _, begin, end in up[:-1])  # the recording may cut the last one
    assert all(end < 0.91 * begin for _, _, begin, end in down[:-1])


def test_with_the_eyes_shut_the_distance_is_read_from_the_beat(tmp_path):
    """Each tenth of the bar nearer is another beat, by more than the few per cent that are heard (Drake and Botte)."""
    beats = []
    for position in (1.0, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4):
        sounds = _recorded(tmp_path, (seen(Cue.UP, position), 6.0))
        begins = [begin for begin, *_ in sounds]
        beats.append(float(np.median(np.diff(begins))))
    assert all(nearer < 0.9 * farther for farther, nearer in pairwise(beats))
    assert beats[0] == pytest.approx(0.8, abs=0.02)


def test_with_the_eyes_shut_each_state_has_a_sound_of_its_own(tmp_path):
    """Told apart by pitch, by glide, by the number of sounds, or by being steady; no two states are alike."""
    states = [c for c in Cue if c not in (Cue.WAIT, Cue.QUIET, Cue.SLOW_UP, Cue.SLOW_DOWN, Cue.ASKED)]
    heard = {}
    for cue in states:
        sounds = _recorded(tmp_path, (seen(cue), 4.0))
        assert sounds
        shape = (len(sounds), *(round(x, -1) for x in sounds[0][2:]), round(sounds[0][1] - sounds[0][0], 1))
        heard[cue] = shape
    assert len(set(heard.values())) == len(heard)


@pytest.mark.parametrize(
    ("degrees", "pips", "pitch", "rises"),
    [(90.0, 2, 1400.0, True), (-135.0, 3, 1400.0, False), (-20.0, 4, 350.0, False)],
)
def test_with_the_eyes_shut_a_part_of_a_turn_can_be_counted(tmp_path, degrees, pips, pitch, rises):
    """A long glide for the way, then high pips for eighths of a turn or low ones for fives of degrees."""
    way, *rest = _recorded(tmp_path, (seen(Cue.ASKED, asked=degrees), 6.5))
    assert bool(way[3] > way[2]) is rises
    assert len(rest) == pips
    assert all(begin == pytest.approx(pitch, rel=0.1) for _, _, begin, _ in rest)
