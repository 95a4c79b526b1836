"""Every notice has words, JSON and no way to hurt the reader."""

import io
import json
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from benchrig.clock import SimClock
from benchrig.readings import Flag, Reading
from benchrig.session import notices as n
from benchrig.trim.types import Cue, Goal, TrimView, Way
from benchrig.ui.jsonlines import JsonLines, line
from benchrig.ui.plain_lines import PlainLines
from benchrig.ui.sentences import CUE_WORDS, away_words, flag_words, sentence

GOAL = Goal(9400.0, 9250.0, 9550.0, "V")
VIEW = TrimView(9872.0, -472.0, Cue.DOWN, 0.0, 0.8, (-0.3, 0.3), False)
AT = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)

EACH = {
    "Job 4: Skerry 14, unit SK14-0231, 2 steps, operator Ida": n.JobStarted(
        4, "Skerry 14", "SK14-0231", "Ida", ["a", "b"]
    ),
    "[2/9] EHT at A4 TP40, trimmer RV41": n.StepStarted("eht", "trim", "EHT", "", 2, 9, "RV41", "A4 TP40"),
    "      meter: 9.872 kV": n.ReadingTaken("eht", "meter", Reading(9872.0, "V", resolution=1.0)),
    "      RV41: 9.872 kV, 472 V high: turn down": n.TrimMoved("eht", GOAL, VIEW, "RV41"),
    "      Turn RV43 clockwise about 1/8 turn, until high time reads 13.20 us, now 14.50 us": n.TurnAdvised(
        "timer", "RV43", "high time", 14.5e-6, 13.2e-6, "s", 43.0, Way.CLOCKWISE
    ),
    '      Hold point, passed only by typing "TP40 9.40 kV"': n.HoldPointReached("eht", "TP40 9.40 kV"),
    "      Hold point acknowledged.": n.HoldPointAnswered("eht", True, "TP40 9.40 kV"),
    "      Hold point lapsed: paused": n.HoldPointLapsed("eht", "paused"),
    "      Seen below its limit. The discharge stick decides.": n.MadeSafe("eht", "eht"),
    "      meter lost: closed by the far end": n.LinkDown(0.0, "meter", "closed by the far end", "eht"),
    "      meter back after 2.5 s, set up again": n.LinkUp(0.0, "meter", 2.5, "eht"),
    "      pass: 9.402 kV (U 42 V)": n.StepEnded("eht", "pass", 9402.0, "V", 21.0),
    "      WARNING: low battery": n.Said("eht", "low battery", "warning"),
    "      watching, 12 min 5 s left: TP1 out": n.SoakMoved(
        "soak",
        (
            n.ChannelView("TP1", 11.2, "V", 11.4, 12.6, 11.3, 12.7, "out", AT),
            n.ChannelView("TP2", 5.0, "V", 4.85, 5.15, None, None, "in", AT),
        ),
        86_400.0,
        725.0,
        "watching",
    ),
    "      ALARM stop: TP1 low (notified 2 times): 11.20 V": n.AlarmRaised(
        "soak", "tp1", "stop", "TP1 low", "11.20 V", "TP1", AT, 2
    ),
    "      Alarm gone: TP1 low (not acknowledged yet)": n.AlarmCleared("soak", "tp1", "TP1 low", False),
    "      Alarm acknowledged by Ida: TP1 low, the trouble is still there": n.AlarmAcknowledged(
        "soak", "tp1", "TP1 low", "Ida", True
    ),
    "Job 4: all in": n.JobEnded(4, "all in", 0),
}

ADVICE = n.TurnAdvised("timer", "RV43", "high time", 14.5e-6, 14.0e-6, "s")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({}, "Turn RV43, until high time reads 14.00 us, now 14.50 us"),
        ({"learning": True}, "Turn RV43, until high time reads 14.00 us, now 14.50 us (to learn what it does)"),
        (
            {"way": Way.CLOCKWISE, "degrees": 90.0, "counted": True},
            "Turn RV43 1/4 turn clockwise, let go: high time is 14.50 us, wanted 14.00 us",
        ),
        (
            {"way": Way.COUNTER_CLOCKWISE, "degrees": -20.0, "counted": True},
            "Turn RV43 20 degrees counter-clockwise, let go: high time is 14.50 us, wanted 14.00 us",
        ),
    ],
)
def test_what_to_turn_next_says_only_what_is_known(change, words):
    """No way and no part of a turn before they are known."""
    assert sentence(replace(ADVICE, **change)).strip() == words


@pytest.mark.parametrize(("words", "notice"), EACH.items())
def test_each_notice_says(words, notice):
    """One line, plain words, units."""
    assert sentence(notice) == words


def test_no_kind_of_notice_is_forgotten():
    """A new notice without words would raise in the middle of a job."""
    assert {type(notice) for notice in EACH.values()} == set(n.Notice.__args__)


def test_every_cue_has_words():
    """And no two cues share them."""
    assert set(CUE_WORDS) == set(Cue)
    assert len(set(CUE_WORDS.values())) == len(Cue)


@pytest.mark.parametrize("notice", EACH.values())
def test_each_notice_is_one_json_object_on_one_line(notice):
    """Strict JSON with its kind and its time."""
    text = line(notice, AT)
    assert "\n" not in text
    data = json.loads(text, parse_constant=pytest.fail)
    assert data["kind"] == notice.kind
    assert data["at"] == "2026-01-05T08:00:00.000+00:00"


def test_a_reading_without_a_number_has_none_in_json_either():
    """Overload is null with its flag, never a large number."""
    data = json.loads(line(n.ReadingTaken("s", "meter", Reading(None, "V", flags=Flag.OVERLOAD)), AT))
    assert data["reading"]["value"] is None
    assert data["reading"]["flags"] == ["overload"]
    assert "overload" in sentence(n.ReadingTaken("s", "meter", Reading(None, "V", flags=Flag.OVERLOAD)))


def test_infinite_float_becomes_null():
    """JSON has no infinity."""
    assert json.loads(line(n.StepEnded("s", "fail", float("inf"), "V", None), AT))["value"] is None


def test_an_unusable_reading_says_why():
    """A number that may not be judged never stands alone."""
    words = sentence(n.ReadingTaken("s", "meter", Reading(1.0, "V", flags=Flag.HOLD | Flag.DC)))
    assert "hold" in words


def test_a_reading_with_a_caution_is_shown_with_it():
    """Usable, but not without a word."""
    reading = Reading(0.04, "1", flags=Flag.COARSE)
    assert sentence(n.ReadingTaken("ringing", "scope.4", reading)) == "      scope.4: 0.04 (coarse)"


def test_control_characters_are_made_harmless():
    """Foreign words cannot clear the screen or forge a line."""
    assert "\x1b" not in sentence(n.Said("s", "x\x1b[2J\r\nJob 4: all in"))
    assert "\n" not in sentence(n.Said("s", "x\nJob 4: all in"))


@pytest.mark.parametrize(("distance", "words"), [(472.0, "472 V low"), (-472.0, "472 V high"), (0.0, "on target")])
def test_away_is_said_from_the_readings_side(distance, words):
    """distance = target - value: positive means that the reading is low."""
    assert away_words(distance, "V") == words


def test_flag_words_are_plain():
    assert flag_words(Flag.LOW_BATTERY | Flag.OVERLOAD) == "low battery, overload"


def test_plain_lines_leave_out_readings_and_unchanged_cues():
    """A log holds what a person would want to read later."""
    out = io.StringIO()
    lines = PlainLines(out)
    for notice in (EACH["      meter: 9.872 kV"], *[EACH["      RV41: 9.872 kV, 472 V high: turn down"]] * 3):
        lines.show(notice)
    assert out.getvalue().splitlines() == ["      RV41: 9.872 kV, 472 V high: turn down"]


def test_plain_lines_survive_a_pipe_that_knows_ascii_only():
    """A log file in another encoding loses a character, not the job."""
    buffer = io.BytesIO()
    out = io.TextIOWrapper(buffer, encoding="ascii")
    PlainLines(out).show(n.Said("s", "10 µs Ω"))
    out.flush()
    assert buffer.getvalue() == b"      10 ?s ?\n"


def test_json_lines_are_written_at_once():
    """Nothing sits in a buffer when the process dies."""

    class Flushed(io.StringIO):
        flushes = 0

        def flush(self):
            self.flushes += 1

    out = Flushed()
    JsonLines(out, SimClock()).show(EACH["Job 4: all in"])
    assert out.flushes == 1
    assert json.loads(out.getvalue())["exit_code"] == 0


@pytest.mark.parametrize(
    ("value", "words", "line"),
    [
        (None, "", "      done"),
        (None, "needs begin, which failed", "      done: needs begin, which failed"),
        (5.0, "", "      done: 5.000 V"),
        (5.0, "near", "      done: 5.000 V  near"),
    ],
)
def test_a_verdict_stands_one_space_before_what_follows(value, words, line):
    """Whether a value follows, words, or both."""
    assert sentence(n.StepEnded("s", "done", value, "V", None, words)) == line


@pytest.mark.parametrize("verdict", ["blocked", "skipped"])
def test_a_step_that_never_began_is_named(verdict):
    """Nothing above the line says which one it is."""
    told = n.StepEnded("x-zero", verdict, None, "", None, "needs begin, which failed")
    assert sentence(told) == f"      x-zero {verdict}: needs begin, which failed"


@pytest.mark.parametrize("terminal", [True, False])
def test_plain_lines_break_between_words_on_a_terminal_and_not_at_all_on_a_pipe(terminal, monkeypatch):
    """A terminal without a live screen would break them anywhere; a log is one notice a line."""
    monkeypatch.setenv("COLUMNS", "40")
    file = io.StringIO()
    monkeypatch.setattr(file, "isatty", lambda: terminal)
    PlainLines(file).show(n.Said("s", "Turn RV21 slowly and count only while the pattern is blank."))
    lines = file.getvalue().splitlines()
    assert len(lines) == (2 if terminal else 1)
    assert all(line.startswith("      ") for line in lines)
    assert " ".join(file.getvalue().split()) == "Turn RV21 slowly and count only while the pattern is blank."
