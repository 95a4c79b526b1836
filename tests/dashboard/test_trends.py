"""Trends: bounded, no extreme lost, and what a viewer lays together from news is what the server has."""

from datetime import UTC, datetime

from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.dashboard.trends import MOST, MOST_CHANNELS, RECENT, Trend, Trends
from benchrig.readings import Flag, Reading
from benchrig.session import notices as n

AT = datetime(2026, 1, 5, 3, 12, tzinfo=UTC)


def reading(time, value, flags=Flag.NONE, channel="meter", unit="V"):
    return n.ReadingTaken("s", channel, Reading(value, unit, time, flags))


def soak(elapsed, value, least=None, greatest=None):
    view = n.ChannelView("TP1", value, "V", 11.4, 12.6, None, None, "in", AT, least, greatest)
    return n.SoakMoved("soak", (view,), elapsed, None, "watching")


def laid(old, fresh):
    """What the page's script does with news, said again in other words."""
    seconds, slots = old if old else (fresh["seconds"], {})
    while seconds < fresh["seconds"]:
        pairs = {}
        for slot, (least, greatest) in slots.items():
            pairs.setdefault(slot // 2, []).append((least, greatest))
        slots = {slot: (min(p[0] for p in both), max(p[1] for p in both)) for slot, both in pairs.items()}
        seconds *= 2
    return seconds, {**slots, **{slot: (least, greatest) for slot, least, greatest in fresh["slots"]}}


def test_three_days_at_ten_a_second_fit_and_a_dip_of_one_reading_stays():
    """The rate of the longest watch, thinned here to one in a hundred; the dip is one reading."""
    trend = Trend(1.0, doubles=True)
    for i in range(25_920):
        value = -5.0 if i == 12_345 else 12.0
        trend.add(10.0 * i, value, value)
    slots = trend.slots()
    assert len(slots) <= MOST
    assert min(least for _, least, _ in slots) == -5.0
    assert slots[-1][0] * trend.seconds >= 259_190.0 - trend.seconds
    dip = next(slot for slot, least, _ in slots if least == -5.0)
    assert dip * trend.seconds <= 123_450.0 < (dip + 1) * trend.seconds


def test_the_last_hour_lets_older_readings_go():
    trend = Trend(RECENT / MOST, doubles=False)
    for i in range(10_000):
        trend.add(float(i), float(i), float(i))
    assert len(trend.slots()) == MOST
    assert min(least for _, least, _ in trend.slots()) >= 10_000 - RECENT - RECENT / MOST


@settings(max_examples=50, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0.01, 400.0), st.floats(-1e3, 1e3), st.booleans()),
        max_size=400,
    )
)
def test_news_laid_together_is_all_there_is(steps):
    """Whenever the viewer hears of it, and however often slots were joined meanwhile."""
    trends, viewer, time = Trends(), None, 0.0
    for pause, value, heard in steps:
        time += pause
        trends.add("TP1", "V", time, value, value)
        if heard:
            viewer = laid(viewer, trends.news()["TP1"]["whole"])
    if steps:
        news = trends.news()
        if news:
            viewer = laid(viewer, news["TP1"]["whole"])
        everything = trends.all()["TP1"]["whole"]
        assert viewer == (everything["seconds"], {s: (least, most) for s, least, most in everything["slots"]})


def test_news_is_small():
    """A viewer is told of one slot for each reading, not of all of them again."""
    trends = Trends()
    for i in range(5_000):
        trends.take(soak(float(i), 12.0))
    trends.news()
    trends.take(soak(5_000.0, 12.0))
    assert len(trends.news()["TP1"]["whole"]["slots"]) <= 2
    assert trends.news() == {}


def test_a_reading_that_may_not_be_judged_is_not_drawn():
    """Overloads, old values and absent channels never become a point of a trend."""
    trends = Trends()
    nan, inf = reading(2.0, float("nan")), soak(1.0, float("inf"))
    for notice in (reading(0.0, 12.0, Flag.STALE), reading(1.0, None, Flag.OVERLOAD), soak(0.0, None), nan, inf):
        trends.take(notice)
    assert trends.all() == {}


def test_a_watch_brings_the_extremes_between_two_tellings():
    """A dip that came and went between two of them is drawn."""
    trends = Trends()
    trends.take(soak(0.0, 12.0, least=3.1, greatest=12.1))
    assert trends.all()["TP1"]["whole"]["slots"] == [(0, 3.1, 12.1)]


def test_a_channel_whose_unit_changes_begins_anew():
    trends = Trends()
    trends.take(reading(0.0, 12.0))
    trends.take(reading(1.0, 3.0, unit="ohm"))
    assert trends.all()["meter"]["unit"] == "ohm"
    assert trends.all()["meter"]["whole"]["slots"] == [(0, 3.0, 3.0)]


def test_channels_without_end_are_bounded_and_a_new_job_begins_anew():
    trends = Trends()
    for i in range(3 * MOST_CHANNELS):
        trends.take(reading(0.0, 1.0, channel=f"c{i}"))
    assert len(trends.all()) == MOST_CHANNELS
    trends.take(n.JobStarted(1, "P", "SK14-0231", "Ida", []))
    assert trends.all() == {}


def test_a_thousand_channels_in_turn_drive_out_nobody():
    """Forty are drawn from beginning to end; each of a thousand for one reading would be no trend at all."""
    trends = Trends()
    for second in range(30):
        for i in range(25 * MOST_CHANNELS):
            trends.take(reading(float(second), 1.0, channel=f"c{i}"))
    drawn = trends.all()
    assert list(drawn) == [f"c{i}" for i in range(MOST_CHANNELS)]
    assert all(len(it["whole"]["slots"]) == 30 for it in drawn.values())


def test_a_channel_that_is_idle_makes_room_and_one_that_is_read_does_not():
    trends = Trends()
    for i in range(MOST_CHANNELS):
        trends.take(reading(float(i), 1.0, channel=f"c{i}"))
    trends.take(reading(100.0, 1.0, channel="c0"))
    trends.take(reading(101.0, 1.0, channel="new"))
    assert "c0" in trends.all()
    assert "new" in trends.all()
    assert "c1" not in trends.all()


def test_a_clock_that_was_put_right_by_half_a_century_costs_nothing():
    """A machine whose clock had lost its battery: the slots between are not gone through one by one."""
    trends = Trends()
    trends.take(reading(0.0, 1.0))
    trends.news()
    trends.take(reading(1.77e12, 2.0))
    news = trends.news()["meter"]
    assert [slot[1:] for slot in news["recent"]["slots"]] == [(2.0, 2.0)]
    assert news["whole"]["slots"][-1][1:] == (2.0, 2.0)


def test_whoever_lays_news_together_is_told_that_a_new_job_began():
    """Or the next unit's trend would be laid over the last one's."""
    trends = Trends()
    trends.take(reading(0.0, 1.0))
    assert not trends.anew
    trends.take(n.JobStarted(2, "P", "SK14-0232", "Ida", []))
    trends.take(reading(0.0, 5.0))
    assert trends.anew
    assert trends.news()["meter"]["whole"]["slots"] == [(0, 5.0, 5.0)]
    assert not trends.anew


def test_a_reading_that_comes_late_is_folded_into_the_newest_slot():
    trend = Trend(1.0, doubles=True)
    for time in (1000.0, 1003.0, 1002.0, 1004.0):
        trend.add(time, time, time)
    assert trend.slots() == [(0, 1000.0, 1000.0), (3, 1002.0, 1003.0), (4, 1004.0, 1004.0)]


def test_a_clock_that_begins_anew_goes_on_behind_what_is_there():
    """A step that is done again, or a job that is taken up again, counts its seconds anew."""
    trend = Trend(1.0, doubles=True)
    for time in (1000.0, 1001.0, 3.0, 4.0):
        trend.add(time, time, time)
    assert trend.slots() == [(0, 1000.0, 1000.0), (1, 1001.0, 1001.0), (2, 3.0, 3.0), (3, 4.0, 4.0)]
