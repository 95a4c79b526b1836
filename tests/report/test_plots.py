"""Plots lose no extreme, keep gaps visible, and cannot be used to smuggle markup."""

import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest

from benchrig.records.envelope import envelope_over
from benchrig.report.plots import Band, plot, ticks


def test_envelope_keeps_the_one_sample_that_matters():
    """A single dip among a million readings is still there in 700 columns."""
    values = np.zeros(1_000_000)
    values[123_456] = -5.0
    found = envelope_over(np.arange(1e6), values, 700)
    assert len(found.least) == len(found.greatest) == 700
    assert found.least.min() == -5.0
    assert found.greatest.max() == 0.0


@pytest.mark.parametrize("count", [1, 2, 3, 699, 700, 701])
def test_envelope_of_few_values_is_those_values(count):
    """No more columns than values, none lost at either end."""
    values = np.arange(float(count))
    found = envelope_over(values, values, 700)
    assert found.least.min() == 0.0
    assert found.greatest.max() == count - 1


def test_a_long_course_is_drawn_at_its_own_moments():
    """Readings that stop for as long again as they came leave the right half of the drawing to the last of them."""
    times = np.append(np.linspace(0.0, 50.0, 9999), 100.0)
    points = ElementTree.fromstring(plot(times, np.ones(10_000), unit="V", title="rail")).find("polygon").get("points")
    places = sorted(float(pair.split(",")[0]) for pair in points.split())
    middle = (74 + 760 - 14) / 2
    assert sum(place > middle + 5.0 for place in places) <= 2


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [(0.0, 10.0, [0, 2, 4, 6, 8, 10]), (-0.3, 0.31, [-0.2, 0, 0.2]), (9250.0, 9550.0, [9300, 9400, 9500])],
)
def test_ticks_are_round_values_inside(low, high, expected):
    assert ticks(low, high) == pytest.approx(expected)


def drawn(**options):
    t = np.linspace(0, 10, 50)
    settings = {"times": t, "values": np.sin(t), "unit": "V", "title": "EHT"} | options
    svg = plot(settings.pop("times"), settings.pop("values"), **settings)
    return ElementTree.fromstring(svg)


def test_trace_runs_through_every_point_of_a_short_series():
    """Fifty readings make fifty points."""
    line = drawn().find("polyline")
    assert len(line.get("points").split()) == 50


def test_long_series_is_a_filled_spread_with_its_extremes():
    """The dip reaches the bottom of the drawing."""
    values = np.zeros(100_000)
    values[777] = -1.0
    shape = drawn(times=np.arange(100_000.0), values=values).find("polygon")
    ys = [float(point.split(",")[1]) for point in shape.get("points").split()]
    assert max(ys) - min(ys) > 150


def test_gap_and_band_are_drawn_with_their_names():
    root = drawn(gaps=[(3.0, 5.0)], bands=[Band(-0.5, 0.5, "window")])
    titles = [element.text for element in root.iter("title")]
    assert titles == ["window", "no readings for 2.0 s"]


@pytest.mark.parametrize("values", [[], [float("nan")], [float("inf")]])
def test_nothing_to_draw_says_so(values):
    """No exception, no empty picture that looks like a flat line."""
    root = drawn(times=list(range(len(values))), values=values)
    assert root.find("text").text == "no readings"
    assert root.find("polyline") is None


def test_one_reading_and_a_constant_still_have_axes():
    assert drawn(times=[5.0], values=[9400.0]).find("circle") is not None
    assert drawn(values=np.full(50, 9400.0)).find("polyline") is not None


def test_hostile_names_stay_text():
    """Names come from files and people."""
    root = drawn(title='"><script>alert(1)</script>', bands=[Band(0, 1, "<b>x</b>")])
    assert root.get("aria-label") == '"><script>alert(1)</script>'
    assert root.find(".//script") is None
