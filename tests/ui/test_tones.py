"""The sound of a trim, tested by its spectrum and its rhythm."""

from __future__ import annotations

import io
import sys
import wave
from dataclasses import replace

import numpy as np
import pytest

from benchrig.trim.types import Cue, TrimView, Way
from benchrig.ui import speech, tones

EDGES = (-1 / 3, 1 / 3)


def shown(cue: Cue, position: float | None = 0.8) -> TrimView:
    return TrimView(1.0, 0.1, cue, 0.0, position, EDGES, stale=False)


def loudest(samples: np.ndarray) -> float:
    """Frequency of the greatest line of the spectrum, in Hz."""
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples))))
    return float(np.argmax(spectrum) * tones.RATE / len(samples))


def onsets(samples: np.ndarray) -> np.ndarray:
    """Moments at which sound begins after at least 20 ms of silence."""
    loud = np.abs(samples) > 0.02
    quiet = int(0.02 * tones.RATE)
    starts = [i for i in np.flatnonzero(loud) if not loud[max(0, i - quiet) : i].any()]
    return np.array(starts) / tones.RATE


def test_in_is_one_steady_pure_tone():
    """No gap, and 99 % of the power within 5 Hz of 1000 Hz."""
    sound = tones.render([(0.0, shown(Cue.GOOD, 0.0))], 2.0)
    power = np.abs(np.fft.rfft(sound * np.hanning(len(sound)))) ** 2
    lines = np.fft.rfftfreq(len(sound), 1 / tones.RATE)
    assert power[np.abs(lines - tones.IN_TONE) < 5.0].sum() > 0.99 * power.sum()
    blocks = sound.reshape(-1, tones.RATE // 100)
    assert np.sqrt((blocks**2).mean(axis=1)).min() > 0.3


@pytest.mark.parametrize(
    ("cue", "rises"), [(Cue.UP, True), (Cue.SLOW_UP, True), (Cue.DOWN, False), (Cue.SLOW_DOWN, False)]
)
def test_direction_is_heard_as_a_glide(cue, rises):
    """The first half of each sound is lower than the second for "up", and the other way for "down"."""
    sound = tones.render([(0.0, shown(cue))], 0.08)
    half = len(sound) // 2
    first, second = loudest(sound[:half]), loudest(sound[half:])
    assert (second > first * 1.1) if rises else (first > second * 1.1)


def test_nearer_is_faster():
    rates = [len(onsets(tones.render([(0.0, shown(Cue.UP, p))], 4.0))) for p in (1.0, 0.8, 0.6, 0.4, 1 / 3)]
    assert rates == sorted(rates)
    assert rates[-1] > 4 * rates[0]


def test_beyond_sounds_unlike_either_direction():
    """Two pulses of one low pitch, no glide."""
    sound = tones.render([(0.0, shown(Cue.PASSED))], 0.05)
    assert loudest(sound) == pytest.approx(420.0, abs=25.0)
    assert len(onsets(tones.render([(0.0, shown(Cue.PASSED, 1.0))], 0.5))) == 2


@pytest.mark.parametrize("cue", [Cue.WAIT, Cue.QUIET])
def test_waiting_is_silent(cue):
    assert not tones.render([(0.0, shown(cue))], 1.0).any()


def test_stop_is_heard_once():
    sound = tones.render([(0.0, shown(Cue.STOP))], 2.0)
    assert len(onsets(sound)) == 1
    assert loudest(sound[: int(0.12 * tones.RATE)]) == pytest.approx(330.0, abs=10.0)


def test_a_new_cue_is_heard_at_once():
    """The steady tone starts at the moment of the cue, not after the pause of the last pattern."""
    sound = tones.render([(0.0, shown(Cue.UP, 1.0)), (0.3, shown(Cue.GOOD, 0.0))], 0.4)
    assert loudest(sound[int(0.3 * tones.RATE) :]) == pytest.approx(1000.0, abs=20.0)


@pytest.mark.parametrize("cue", list(Cue))
def test_no_cue_clips_or_clicks(cue):
    """The greatest step between samples is that of the highest tone at full level."""
    sound = tones.render([(0.0, shown(cue))], 1.0)
    assert np.abs(sound).max(initial=0.0) <= tones.LEVEL
    assert np.abs(np.diff(sound)).max(initial=0.0) <= tones.LEVEL * 2 * np.pi * 1800.0 / tones.RATE * 1.05


def test_a_wav_holds_what_was_rendered():
    """Read back by the standard library."""
    sound = tones.render([(0.0, shown(Cue.GOOD))], 0.5)
    with wave.open(io.BytesIO(tones.wav(sound))) as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 2, tones.RATE)
        back = np.frombuffer(file.readframes(file.getnframes()), "<i2") / 32767.0
    assert np.abs(back - sound).max() < 1e-4


def test_the_bell_rings_once_for_each_cue_that_matters():
    heard: list[str] = []
    bell = tones.player("bell", heard.append)
    for cue in (Cue.UP, Cue.UP, Cue.STOP, Cue.STOP, Cue.GOOD, Cue.GOOD, Cue.ACCEPTED):
        bell.show(shown(cue))
    assert heard == ["\a"] * 3


def test_off_is_off():
    heard: list[str] = []
    quiet = tones.player("off", heard.append)
    quiet.show(shown(Cue.CEILING))
    quiet.close()
    assert not heard


def test_without_the_library_it_falls_back_to_the_bell_and_says_nothing(monkeypatch, capfd):
    monkeypatch.setitem(sys.modules, "miniaudio", None)
    heard: list[str] = []
    found = tones.player("auto", heard.append)
    assert found.name == "bell"
    assert capfd.readouterr() == ("", "")


def test_whatever_this_machine_has_opening_a_player_never_raises_or_prints(capfd):
    tones.player("auto", lambda text: None).close()
    assert capfd.readouterr() == ("", "")


def test_a_speech_program_is_used_only_if_it_is_there():
    assert speech.program(lambda name: None) is None
    assert speech.program(lambda name: "/usr/bin/say" if name == "say" else None) == ("say",)


def spoken(tmp_path, views):
    """What a stand-in for a speech program is given for `views`, one line each."""
    script, said = tmp_path / "speak", tmp_path / "said"
    script.write_text(f'#!/bin/sh\necho "$1" >> {said}\n')
    script.chmod(0o755)
    speaker = speech.Speaker([str(script)])
    for view in views:
        speaker.show(view)
        for process in speaker._speaking:
            process.wait(10)
    speaker.hush()
    return said.read_text().splitlines()


def test_each_new_cue_is_spoken_once(tmp_path):
    said = spoken(tmp_path, [shown(cue) for cue in (Cue.UP, Cue.WAIT, Cue.GOOD, Cue.GOOD, Cue.ACCEPTED)])
    assert said == ["up", "good, hands off", "accepted"]


def test_the_way_is_spoken_once_it_is_known_and_again_when_it_is_another(tmp_path):
    """Between the stretches of one way only "stop" is said."""
    way, other = Way.CLOCKWISE, Way.COUNTER_CLOCKWISE
    views = [
        replace(shown(Cue.UP), turn=way), shown(Cue.STOP), replace(shown(Cue.UP), turn=way), shown(Cue.STOP),
        replace(shown(Cue.SLOW_DOWN), turn=other),
    ]  # fmt: skip
    assert spoken(tmp_path, views) == ["clockwise", "stop", "stop", "slowly counter-clockwise"]


def test_a_missing_speech_program_is_no_trouble():
    speaker = speech.Speaker(["/nowhere/at/all"])
    speaker.show(shown(Cue.GOOD))
    speaker.hush()
