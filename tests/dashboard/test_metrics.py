"""The numbers for Prometheus, read by its own client library's OpenMetrics parser."""

import urllib.request
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client.openmetrics.parser import text_string_to_metric_families as parsed

from benchrig.dashboard.server import DashboardPage
from benchrig.metrics import CONTENT_TYPE, MOST_LABELS, Metrics
from benchrig.readings import Flag, Reading
from benchrig.session import notices as n

AT = datetime(2026, 1, 5, 3, 12, tzinfo=UTC)
JOB = n.JobStarted(7, "Skerry 14: burn-in", "SK14-0231", "Ida", ["soak"])
STEP = n.StepStarted("soak", "soak", "Eight hours", "", 1, 1)


def samples(metrics, now=0.0):
    """(name, labels) -> value of the whole exposition."""
    text = metrics.text(now).decode()
    return {(s.name, *sorted(s.labels.items())): s.value for family in parsed(text) for s in family.samples}


def told(*notices):
    metrics = Metrics()
    for second, notice in enumerate(notices):
        metrics.take(notice, float(second))
    return metrics


def channel(name="+12 V", value=12.0, state="in", readings=0):
    return n.ChannelView(name, value, "V", 11.4, 12.6, None, None, state, AT, readings=readings)


def soak(*channels):
    return n.SoakMoved("soak", channels, 1800.0, 3600.0, "watching")


def raised(key, severity="warning"):
    return n.AlarmRaised("soak", key, severity, key, "", "", AT, 1)


def reading(value, flags=Flag.NONE):
    return n.ReadingTaken("s", "meter", Reading(value, "V", 0.0, flags))


def test_nothing_yet_is_an_exposition_too():
    found = samples(Metrics())
    assert found["benchrig_job_state", ("benchrig_job_state", "idle")] == 1.0
    assert found["benchrig_instruments_lost",] == 0.0


def test_a_watch_in_numbers():
    """Values, states, readings since its beginning, time left."""
    found = samples(
        told(JOB, STEP, soak(channel(readings=10)), soak(channel(value=11.0, state="warning", readings=25))), now=10.0
    )
    assert found["benchrig_channel_value", ("channel", "+12 V"), ("unit", "V")] == 11.0
    assert found["benchrig_channel_age_seconds", ("channel", "+12 V")] == 7.0
    assert found["benchrig_channel_state", ("benchrig_channel_state", "warning"), ("channel", "+12 V")] == 1.0
    assert found["benchrig_channel_state", ("benchrig_channel_state", "in"), ("channel", "+12 V")] == 0.0
    assert found["benchrig_readings_total", ("channel", "+12 V")] == 25.0
    assert found["benchrig_soak_remaining_seconds",] == 3600.0
    assert found["benchrig_job_state", ("benchrig_job_state", "soaking")] == 1.0
    info = next(key for key in found if key[0] == "benchrig_job_info")
    assert ("unit_serial", "SK14-0231") in info


@pytest.mark.parametrize(
    "last", [reading(12.0, Flag.STALE), reading(None, Flag.OVERLOAD), soak(channel("meter", None, "absent"))]
)
def test_what_does_not_count_has_no_value(last):
    """A stale, overloaded or absent channel ends its series; it is counted all the same."""
    found = samples(told(JOB, reading(12.0), last))
    assert not [key for key in found if key[0] == "benchrig_channel_value"]
    assert found["benchrig_readings_total", ("channel", "meter")] >= 1.0


def test_gaps_are_counted_and_what_is_away_now_is_said():
    gap, back = n.LinkDown(0.0, "meter", "unplugged", "s"), n.LinkUp(0.0, "meter", 2.0, "s")
    found = samples(told(JOB, gap, back, gap))
    assert found["benchrig_gaps_total", ("instrument", "meter")] == 2.0
    assert found["benchrig_instruments_lost",] == 1.0


def test_open_alarms_by_severity_and_whether_somebody_took_note():
    found = samples(
        told(
            JOB, raised("a"), raised("b", "stop"), raised("c"), raised("d"),
            n.AlarmAcknowledged("s", "a", "a", "Ida", True),
            n.AlarmAcknowledged("s", "c", "c", "Ida", False),
            n.AlarmCleared("s", "d", "d", False),
        )
    )  # fmt: skip

    def count(severity, acknowledged):
        return found["benchrig_alarms_open", ("acknowledged", acknowledged), ("severity", severity)]

    assert (count("warning", "true"), count("warning", "false"), count("stop", "false")) == (1.0, 1.0, 1.0)


def test_a_channel_that_reads_nothing_more_grows_old_though_the_watch_tells_of_it():
    """The watch lives and says "absent" again and again: that is no word of the channel."""
    metrics = told(JOB, STEP, soak(channel(readings=10)))
    for second in range(10, 20):
        metrics.take(soak(channel(value=None, state="absent", readings=10)), float(second))
    assert samples(metrics, now=20.0)["benchrig_channel_age_seconds", ("channel", "+12 V")] == 18.0


def test_the_hold_point_and_the_end_of_the_job():
    live = told(JOB, n.HoldPointReached("s", "words"), n.HoldPointAnswered("s", True, "words"))
    assert samples(live)["benchrig_job_state", ("benchrig_job_state", "high_voltage")] == 1.0
    live.take(n.StepEnded("s", "pass", None, "", None), 3.0)
    assert samples(live)["benchrig_job_state", ("benchrig_job_state", "high_voltage")] == 1.0
    live.take(n.MadeSafe("s", "eht"), 4.0)
    assert samples(live)["benchrig_job_state", ("benchrig_job_state", "running")] == 1.0
    ended = told(JOB, n.StepEnded("s", "pass", None, "", None), n.JobEnded(7, "all in", 0))
    found = samples(ended)
    assert found["benchrig_job_state", ("benchrig_job_state", "ended")] == 1.0
    assert found["benchrig_job_exit_code",] == 0.0
    assert found["benchrig_steps_ended_total", ("verdict", "pass")] == 1.0


def test_a_new_job_counts_anew():
    found = samples(told(JOB, reading(12.0), raised("a"), JOB))
    assert not [key for key in found if key[0] == "benchrig_readings_total"]
    assert found["benchrig_alarms_open", ("acknowledged", "false"), ("severity", "warning")] == 0.0


@given(st.text(), st.text())
def test_foreign_words_break_no_line(name, unit):
    """Quotes, backslashes and line ends in a channel's name or unit come out as they went in."""
    metrics = told(n.ReadingTaken("s", name, Reading(1.0, unit)))
    assert samples(metrics)["benchrig_channel_value", ("channel", name), ("unit", unit)] == 1.0


def test_series_are_bounded():
    metrics = told(*[n.ReadingTaken("s", f"c{i}", Reading(1.0, "V")) for i in range(3 * MOST_LABELS)],
                   *[n.LinkDown(0.0, f"i{i}", "", "s") for i in range(3 * MOST_LABELS)],
                   *[raised(f"k{i}") for i in range(3 * MOST_LABELS)])  # fmt: skip
    found = samples(metrics)
    assert sum(key[0] == "benchrig_channel_value" for key in found) == MOST_LABELS
    assert sum(key[0] == "benchrig_gaps_total" for key in found) == MOST_LABELS


def test_served_beside_the_page():
    """In the content type that the OpenMetrics specification 1.0 names."""
    with DashboardPage() as page:
        page.show(JOB)
        page.show(soak(channel()))
        with urllib.request.urlopen(f"{page.address}metrics", timeout=5) as answer:
            assert answer.headers["Content-Type"] == CONTENT_TYPE
            assert any(family.name == "benchrig_channel_value" for family in parsed(answer.read().decode()))
