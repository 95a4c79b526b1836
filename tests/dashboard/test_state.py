"""The page is folded from notices, bounded, and keeps what is wrong in sight."""

import json
from datetime import UTC, datetime

import pytest

from benchrig.dashboard.page import page_data
from benchrig.dashboard.state import MOST_ALARMS, MOST_LINES, Dashboard, fold
from benchrig.session import notices as n
from benchrig.trim.types import Cue, Goal, TrimView

GOAL = Goal(9400.0, 9250.0, 9550.0, "V")
AT = datetime(2026, 1, 5, 3, 12, tzinfo=UTC)


def folded(*notices, start=None):
    dashboard = start or Dashboard()
    for notice in notices:
        dashboard = fold(dashboard, notice)
    return dashboard


def trim(value):
    distance = None if value is None else GOAL.target - value
    return n.TrimMoved("eht", GOAL, TrimView(value, distance, Cue.UP, 0.0, 0.0, (-0.3, 0.3), False), "RV41")


def bar(dashboard):
    return page_data(dashboard)["bar"]


def channel(value=12.0, state="in", **limits):
    known = {"low": 11.4, "high": 12.6, "acceptable_low": 10.8, "acceptable_high": 13.2, **limits}
    return n.ChannelView("+12 V", value, "V", *known.values(), state, AT)


def soak(*channels, remaining=3600.0):
    return n.SoakMoved("soak", channels, 1800.0, remaining, "watching")


def raised(key="a", severity="warning", **more):
    return n.AlarmRaised("soak", key, severity, f"{key} low", "11.20 V", key, AT, 1, **more)


def test_inside_is_said_by_the_window_not_by_the_cue():
    """Colour follows the number."""
    assert bar(folded(trim(9250.0)))["inside"]
    assert not bar(folded(trim(9249.9)))["inside"]
    assert not bar(folded(trim(None)))["inside"]


def test_the_gauge_goes_with_its_step():
    """The next step never shows the last one's value."""
    ended = n.StepEnded("eht", "pass", 9400.0, "V", 20.0)
    assert bar(folded(trim(9400.0), ended)) is None
    assert bar(folded(trim(9400.0), n.StepStarted("b", "measure", "B", "", 2, 3))) is None
    assert page_data(folded(soak(channel()), ended))["soak"] is None


def test_lost_instruments_stay_in_sight_until_they_are_back():
    lost = folded(n.LinkDown(0.0, "meter", "unplugged", "s"), n.LinkDown(0.0, "scope", "unplugged", "s"))
    assert set(lost.lost) == {"meter", "scope"}
    assert set(folded(n.LinkUp(0.0, "meter", 2.0, "s"), start=lost).lost) == {"scope"}


def test_remarks_and_verdicts_are_the_newest_few():
    dashboard = folded(*[n.Said("s", f"alarm {i}", "alarm") for i in range(100)])
    assert len(dashboard.remarks) == MOST_LINES
    assert dashboard.remarks[-1].endswith("alarm 99")


def test_notes_are_no_remarks():
    assert folded(n.Said("s", "probe moved")).remarks == ()


def test_an_alarm_stays_until_it_is_taken_note_of_and_gone():
    """Either may come first."""
    dashboard = folded(raised())
    taken = folded(n.AlarmAcknowledged("soak", "a", "a low", "Ida", True), start=dashboard)
    assert taken.alarms["a"].acknowledged == "Ida"
    assert folded(n.AlarmCleared("soak", "a", "a low", True), start=taken).alarms == {}
    gone = folded(n.AlarmCleared("soak", "a", "a low", False), start=dashboard)
    assert not gone.alarms["a"].active
    assert folded(n.AlarmAcknowledged("soak", "a", "a low", "Ida", False), start=gone).alarms == {}


def test_an_alarm_that_grew_worse_is_no_longer_taken_note_of():
    dashboard = folded(raised(), n.AlarmAcknowledged("soak", "a", "a low", "Ida", True), raised(severity="stop"))
    assert dashboard.alarms["a"].acknowledged == ""


def test_alarms_are_bounded_and_the_gravest_stands_first():
    dashboard = folded(
        *[raised(f"k{i}") for i in range(3 * MOST_ALARMS)],
        n.AlarmAcknowledged("soak", f"k{3 * MOST_ALARMS - 1}", "", "Ida", True),
        raised("b", "stop"),
        raised("c", "stop", loud=True),
    )
    shown = page_data(dashboard)["alarms"]
    assert len(shown) == MOST_ALARMS
    assert [it["title"] for it in shown[:2]] == ["c low", "b low"]
    assert shown[-1]["acknowledged"] == "Ida"


@pytest.mark.parametrize("state", ["in", "warning", "out", "absent", "warm-up"])
def test_a_tile_shows_the_state_it_is_told(state):
    """The page judges nothing itself."""
    (tile,) = page_data(folded(soak(channel(state=state))))["soak"]["tiles"]
    assert tile["state"] == state
    assert tile["value"] == "12.00 V"
    assert tile["limits"] == "11.40 V to 12.60 V"


def test_a_channel_without_a_number_has_none_on_the_page():
    (tile,) = page_data(folded(soak(channel(None, "absent"))))["soak"]["tiles"]
    assert tile["value"] == "--"
    assert tile["position"] is None


def test_a_mark_stands_where_its_value_stands_among_the_limits():
    """Middle in the middle, each limit on its line, far away at the end."""

    def tile(value, **limits):
        return page_data(folded(soak(channel(value, **limits))))["soak"]["tiles"][0]

    middle = tile(12.0)
    assert middle["position"] == pytest.approx(0.0)
    assert tile(11.4)["position"] == pytest.approx(middle["window"][0])
    assert tile(13.2)["position"] == pytest.approx(middle["acceptable"][1])
    assert tile(1e6)["position"] == 1.0
    only = tile(11.9, low=None, acceptable_low=None, acceptable_high=None)
    assert only["window"][0] == -1.0
    assert only["position"] < only["window"][1]
    assert only["acceptable"] is None
    warmth = tile(41.0, low=None, high=55.0, acceptable_low=None, acceptable_high=70.0)
    assert -1.0 < warmth["position"] < warmth["window"][1] < warmth["acceptable"][1] < 1.0
    assert only["limits"] == "at most 12.60 V"
    assert tile(11.9, low=None, high=None, acceptable_low=None, acceptable_high=None)["window"] is None


def test_time_left_is_said_in_words_and_as_a_share():
    shown = page_data(folded(soak(channel())))["soak"]
    assert (shown["left"], shown["elapsed"], shown["done"]) == ("1 h", "30 min", pytest.approx(1 / 3))
    assert page_data(folded(soak(channel(), remaining=None)))["soak"]["left"] == ""


def test_the_page_is_strict_json_whatever_the_numbers():
    """A browser refuses NaN and Infinity."""
    dashboard = folded(soak(channel(float("nan")), channel(float("inf"))), raised())
    json.loads(json.dumps(page_data(dashboard)), parse_constant=pytest.fail)


LIVE = n.HoldPointAnswered("eht", True, "x")


def test_a_hold_point_that_waits_says_so_until_it_is_answered_rightly_or_its_step_ends():
    """After a wrong sentence it waits still."""
    asked = folded(n.HoldPointReached("eht", "A4 TP40 is live at 9.40 kV"))
    assert "waiting" in asked.hold_point
    assert "waiting" in folded(n.HoldPointAnswered("eht", False, "x"), start=asked).hold_point
    assert folded(LIVE, start=asked).hold_point == "HIGH VOLTAGE: keep away"
    assert folded(n.StepEnded("eht", "refused", None, "", None), start=asked).hold_point == ""


@pytest.mark.parametrize(
    "after",
    [
        n.HoldPointLapsed("eht", "paused"),
        n.StepEnded("eht", "pass", 9400.0, "V", 1.0),
        n.StepStarted("focus", "adjust", "Focus", "", 5, 9),
        n.HoldPointReached("focus", "A4 TP40 is live at 9.40 kV"),
        n.HoldPointAnswered("eht", False, "A4 TP40 is off"),
        n.HoldPointAnswered("eht", True, "A4 TP40 is off"),
        n.Said("eht", "A4 TP40 WAS NOT SEEN SAFE. Take it for live. Keep hands out.", "alarm"),
        n.JobEnded(1, "stopped", 3),
    ],
    ids=lambda notice: notice.kind,
)
def test_high_voltage_stands_on_the_page_until_it_was_seen_safe(after):
    """Neither a lapse nor the end of a step or of the job discharges anything."""
    still = folded(after, start=folded(LIVE))
    assert "HIGH VOLTAGE: keep away" in still.hold_point
    assert folded(n.MadeSafe("eht", "eht"), start=still).hold_point.count("HIGH VOLTAGE") == 0


def test_the_page_never_shows_the_phrase():
    """Who reads it from the next room must not be able to call it out."""
    phrase = "A4 TP40 is live at 9.40 kV"
    dashboard = folded(n.HoldPointReached("eht", phrase), n.HoldPointAnswered("eht", False, phrase))
    assert phrase not in repr(dashboard)


def test_a_new_job_starts_a_new_page():
    old = folded(n.Said("s", "x", "alarm"), raised())
    assert folded(n.JobStarted(5, "P", "SK14-0231", "Ida", []), start=old) == Dashboard(job="P  SK14-0231")
