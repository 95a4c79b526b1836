"""The page is folded from notices, bounded, and keeps what is wrong in sight."""

from benchrig.glance.state import MOST_LINES, MOST_POINTS, Glance, fold
from benchrig.readings import Flag, Reading
from benchrig.session import notices as n
from benchrig.trim.types import Cue, Goal, TrimView

GOAL = Goal(9400.0, 9250.0, 9550.0, "V")


def folded(*notices, start=None):
    glance = start or Glance()
    for notice in notices:
        glance = fold(glance, notice)
    return glance


def trim(value):
    distance = None if value is None else GOAL.target - value
    return n.TrimMoved("eht", GOAL, TrimView(value, distance, Cue.UP, 0.0, 0.0, (-0.3, 0.3), False), "RV41")


def reading(time, value, flags=Flag.NONE):
    return n.ReadingTaken("s", "meter", Reading(value, "V", time, flags))


def test_inside_is_said_by_the_window_not_by_the_cue():
    """Colour follows the number."""
    assert folded(trim(9250.0)).bar.inside
    assert not folded(trim(9249.9)).bar.inside
    assert not folded(trim(None)).bar.inside


def test_the_gauge_goes_with_its_step():
    """The next step never shows the last one's value."""
    ended = n.StepEnded("eht", "pass", 9400.0, "V", 20.0)
    assert folded(trim(9400.0), ended).bar is None
    assert folded(trim(9400.0), n.StepStarted("b", "measure", "B", "", 2, 3)).bar is None


def test_trend_stays_bounded_and_keeps_its_extremes():
    """Ten thousand readings, one of them a dip, in at most MOST_POINTS points."""
    glance = folded(*[reading(float(i), -5.0 if i == 1234 else 12.0) for i in range(10_000)])
    trend = glance.trends["meter"]
    assert len(trend) <= MOST_POINTS
    assert min(low for _, low, _ in trend) == -5.0
    assert trend[-1][0] >= 9_999.0 - 100


def test_a_reading_that_may_not_be_judged_is_not_drawn():
    """Overloads and old values never become a point of a trend."""
    assert folded(reading(0.0, 12.0, Flag.STALE), reading(1.0, None, Flag.OVERLOAD)).trends == {}


def test_lost_instruments_stay_in_sight_until_they_are_back():
    lost = folded(n.GapOpened("s", "meter", "unplugged"), n.GapOpened("s", "scope", "unplugged"))
    assert set(lost.lost) == {"meter", "scope"}
    assert set(folded(n.GapClosed("s", "meter", 2.0), start=lost).lost) == {"scope"}


def test_alarms_and_verdicts_are_the_newest_few():
    glance = folded(*[n.Said("s", f"alarm {i}", "alarm") for i in range(100)])
    assert len(glance.alarms) == MOST_LINES
    assert glance.alarms[-1].endswith("alarm 99")


def test_notes_are_no_alarms():
    assert folded(n.Said("s", "probe moved")).alarms == ()


def test_high_voltage_stands_on_the_page_only_while_it_is_acknowledged():
    """Asked, acknowledged, lapsed: the banner follows."""
    asked = folded(n.HoldPointReached("eht", "A4 TP40 is live at 9.40 kV"))
    assert "waiting" in asked.hold_point
    live = folded(n.HoldPointAnswered("eht", True, "x"), start=asked)
    assert "HIGH VOLTAGE" in live.hold_point
    assert folded(n.HoldPointLapsed("eht", "paused"), start=live).hold_point == ""


def test_the_page_never_shows_the_phrase():
    """Who reads it from the next room must not be able to call it out."""
    phrase = "A4 TP40 is live at 9.40 kV"
    glance = folded(n.HoldPointReached("eht", phrase), n.HoldPointAnswered("eht", False, phrase))
    assert phrase not in repr(glance)


def test_a_new_job_starts_a_new_page():
    old = folded(n.Said("s", "x", "alarm"), reading(0.0, 1.0))
    assert folded(n.JobStarted(5, "P", "SK14-0231", "Ida", []), start=old) == Glance(job="P  SK14-0231")
