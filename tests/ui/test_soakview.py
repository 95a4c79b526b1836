"""Rows of a running soak at several sizes of terminal."""

from datetime import UTC, datetime

import pytest

from benchrig.session.notices import ChannelView, SoakMoved
from benchrig.ui.gauge import ASCII, FULL
from benchrig.ui.soak_rows import soak_rows

WHEN = datetime(2026, 1, 5, tzinfo=UTC)


def channel(name="EHT", value=9400.0, state="in", low=9100.0, high=9800.0):
    return ChannelView(name, value, "V", low, high, low, high, state, WHEN)


def moved(*channels, remaining=20_755.0):
    return SoakMoved("s", tuple(channels), 8045.0, remaining, "watching")


def test_it_says_how_long_and_how_each_channel_stands():
    """Time in hours, value with its unit, state in words."""
    text = soak_rows(moved(channel(), channel("+12 V", 11.95, "warning", 11.4, 11.9)), 80, 12).plain.splitlines()
    assert text[0].strip() == "watching  2:14:05, 5:45:55 to go"
    assert "9.400 kV" in text[1]
    assert text[1].rstrip().endswith("in")
    assert text[2].rstrip().endswith("warning")


def test_where_there_is_no_room_the_worst_are_shown():
    """Twenty channels in six rows."""
    channels = [channel(f"c{i}", state="out" if i in (7, 13) else "in") for i in range(20)]
    text = soak_rows(moved(*channels), 80, 6).plain
    assert "c7 " in text
    assert "c13" in text
    assert "and 16 more" in text
    assert len(text.splitlines()) <= 6


@pytest.mark.parametrize("width", [20, 40, 80, 200])
def test_no_row_is_wider_than_the_terminal(width):
    """Also with a long name and none of the numbers."""
    text = soak_rows(moved(channel("a very long name of a test point indeed", None, "absent")), width, 10)
    assert all(len(line) < width for line in text.plain.splitlines())


def test_a_mark_stands_inside_the_window_exactly_when_the_value_does():
    """Edges belong to the window; beyond them it stays on the bar."""
    for value, inside in ((9100.0, True), (9800.0, True), (9450.0, True), (5000.0, False), (20_000.0, False)):
        row = soak_rows(moved(channel(value=value)), 100, 5, ASCII).plain.splitlines()[1]
        bar = row.split("kV", 1)[1][3:27]
        place = bar.index(ASCII.here)
        assert (6 <= place <= 17) is inside, (value, bar)


def test_an_open_side_and_a_hostile_name_do_no_harm():
    """No window, no place; control characters are shown as such."""
    text = soak_rows(moved(channel("\x1b[31mred\n", 5.0, "in", None, 6.0), remaining=None), 80, 5, FULL).plain
    assert "\x1b" not in text
    assert len(text.splitlines()) == 2
