"""A page of what another process writes: real records, written by one connection and followed by another."""

import json
import re
import signal
import subprocess
import sys
import time
import urllib.request
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from benchrig.clock import SimClock
from benchrig.commands.dashboard import Reopened, follow
from benchrig.dashboard.follow import SILENT, Follower
from benchrig.dashboard.notice_log import Book
from benchrig.dashboard.page import page_data
from benchrig.dashboard.state import Dashboard, fold
from benchrig.dashboard.trends import Trends
from benchrig.readings import Flag, Reading
from benchrig.records import History, JobFacts, SqliteStore, StepFacts, StepResult
from benchrig.records.facts import AcknowledgementFacts, Block
from benchrig.session import notices as n

AT = datetime(2026, 1, 5, 3, 12, tzinfo=UTC)
JOB = JobFacts("skerry14-soak", "Skerry 14: burn-in", "", "", "Skerry 14", "SK14-0231", "Ida", "", True, "0", "guarded")


class Clock:
    """Monotonic seconds of the writer, and the same as wall time."""

    def __init__(self):
        self.seconds = 5000.0

    def now(self):
        return self.seconds

    def stamp(self):
        return AT + timedelta(seconds=self.seconds - 5000.0)


class Writer:
    """A job as a session writes it."""

    def __init__(self, path):
        self.clock = Clock()
        self.store = SqliteStore(path)
        self.book = Book(self.store, self.clock)
        self.store.begin_job(JOB, *self.moment)

    @property
    def moment(self):
        return self.clock.now(), self.clock.stamp()

    def step(self, kind="soak"):
        self.row = self.store.begin_step(StepFacts("burn-in", kind, "Eight hours", 1), *self.moment)

    def resume(self):
        self.store.resume_job(1, *self.moment)

    def wait(self, seconds=1.0):
        self.clock.seconds += seconds
        self.store.keep_alive(self.clock.now())

    def block(self, values, channel="+12 V", flags=0, every=0.1):
        times = self.clock.now() + every * (np.arange(len(values)) - len(values) + 1)
        block = Block(times, np.array(values, float), np.full(len(values), flags, np.uint32), "V", 0.01)
        self.store.block(self.row, channel, block)

    def tell(self, state="in", elapsed=0.0):
        view = n.ChannelView("+12 V", 12.0, "V", 11.4, 12.6, 10.8, 13.2, state, self.clock.stamp())
        self.book.show(n.SoakMoved("burn-in", (view,), elapsed, 3600.0 - elapsed, "watching"))


class Page:
    """What a page would show, without its server."""

    def __init__(self):
        self.dashboard, self.trends, self.told = Dashboard(), Trends(), []

    def show(self, notice):
        self.told.append(notice)
        self.dashboard = fold(self.dashboard, notice)
        self.trends.take(notice)

    def trace(self, *facts):
        self.trends.trace(*facts)

    @property
    def tile(self):
        return page_data(self.dashboard)["soak"]["tiles"][0]

    @property
    def slots(self):
        return self.trends.all()["+12 V"]["whole"]["slots"]


def late(writer):
    """What somebody sees who comes only now."""
    page = Page()
    with History(writer.store.path) as history:
        Follower(history, page).look(0.0)
    return page.dashboard


@pytest.fixture
def writer(tmp_path):
    writer = Writer(tmp_path / "record.sqlite")
    yield writer
    writer.store.close()


@pytest.fixture
def page(writer):
    page = Page()
    with History(writer.store.path) as history:
        follower = Follower(history, page)
        now = iter(range(10_000))
        page.look = lambda seconds=0: [follower.look(float(next(now))) for _ in range(seconds + 1)]
        yield page


def test_a_watch_is_followed_with_its_values_limits_and_time(writer, page):
    writer.step()
    writer.tell()
    page.look()
    writer.wait()
    writer.block([12.01, 12.02])
    page.look()
    assert page.dashboard.job == "Skerry 14: burn-in  SK14-0231"
    assert page.dashboard.step == "1 of 1: Eight hours"
    assert (page.tile["value"], page.tile["limits"], page.tile["state"]) == ("12.02 V", "11.40 V to 12.60 V", "in")
    assert page_data(page.dashboard)["soak"]["left"] == "59 min 59 s"
    assert page.dashboard.soak.channels[0].readings == 2


def test_nothing_is_shown_as_present_before_the_writer_was_seen_alive(writer, page):
    """What lies in the record may be of yesterday."""
    writer.step()
    writer.tell()
    writer.block([12.0])
    page.look()
    assert (page.tile["value"], page.tile["state"]) == ("--", "unknown")
    assert page.slots


def test_a_writer_that_falls_silent_is_said_and_its_values_go(writer, page):
    writer.step()
    writer.tell()
    page.look()
    writer.wait()
    writer.block([12.0])
    page.look()
    assert page.tile["value"] == "12.00 V"
    page.look(int(SILENT) + 2)
    assert (page.tile["value"], page.tile["state"]) == ("--", "unknown")
    assert "No word from the program" in page.dashboard.remarks[-1]
    writer.wait()
    page.look()
    assert page.tile["value"] == "12.00 V"


@pytest.mark.parametrize(("value", "flags"), [(12.0, Flag.STALE), (float("nan"), Flag.OVERLOAD)])
def test_a_reading_that_does_not_count_is_no_value_and_no_point(writer, page, value, flags):
    writer.step()
    writer.tell()
    page.look()
    writer.wait()
    writer.block([12.0, 12.0])
    writer.block([value], flags=flags.value)
    page.look()
    assert page.tile["value"] == "--"
    assert page.slots[-1][1:] == (12.0, 12.0)


def test_every_reading_is_seen_once_however_its_blocks_are_joined(writer, page):
    """Small blocks become large ones while we look: counted, and every extreme in the trend."""
    writer.step()
    writer.tell()
    for i in range(600):
        writer.wait()
        writer.block([12.0, 12.0 + i / 1000, 12.0, 12.0, 12.0, 12.0, 12.0, 12.0, 12.0, 12.0])
        if i % 7 == 0:
            page.look()
    page.look()
    assert page.dashboard.soak.channels[0].readings == 6000
    greatest = [most for _, _, most in page.slots]
    assert greatest == sorted(greatest)  # nothing old came again later
    assert greatest[-1] == pytest.approx(12.599)


def test_a_late_start_sees_the_whole_trend_from_the_sums_of_the_blocks(writer, page):
    """Two hundred blocks: no reading unpacked, no extreme lost."""
    writer.step()
    for i in range(200):
        writer.wait(100.0)
        values = np.full(1000, 12.0)
        values[500] = 3.1 if i == 77 else 12.0
        writer.block(values)
    page.look()
    assert min(least for _, least, _ in page.slots) == 3.1
    assert len(page.slots) > 100


def test_single_readings_of_a_step_that_is_no_watch_are_followed_too(writer, page):
    """Value and trend, and no verdict that nobody gave."""
    writer.step("measure")
    page.look()
    for i in range(3):
        writer.wait()
        writer.store.reading(writer.row, "+12 V", Reading(12.0 + i, "V", writer.clock.now()))
    page.look()
    assert (page.tile["value"], page.tile["state"]) == ("14.00 V", "")
    assert [slot[1] for slot in page.slots] == [12.0, 13.0, 14.0]
    writer.store.end_step(writer.row, StepResult("pass", 14.0, "V"), *writer.moment)
    page.look()
    assert page.dashboard.verdicts == ("burn-in: pass: 14.00 V",)
    assert page.dashboard.soak is None


def test_alarms_gaps_and_the_hold_point_are_followed(writer, page):
    writer.step()
    writer.book.show(n.AlarmRaised("burn-in", "a", "stop", "+12 V low", "10.80 V", "+12 V", AT, 1))
    gap = writer.store.open_gap(writer.row, "meter", "unplugged", *writer.moment)
    facts = AcknowledgementFacts("eht", "A4 TP40", 9400.0, "words", "words", True, "Ida", "work")
    writer.store.acknowledgement(writer.row, facts, *writer.moment)
    page.look()
    assert page.dashboard.alarms["a"].raised == AT
    assert page.dashboard.lost == {"meter": "unplugged"}
    assert "HIGH VOLTAGE" in page.dashboard.hold_point
    writer.book.show(n.AlarmAcknowledged("burn-in", "a", "+12 V low", "Ida", True))
    writer.wait(2.5)
    writer.store.close_gap(gap, *writer.moment)
    page.look()
    assert page.dashboard.alarms["a"].acknowledged == "Ida"
    assert page.dashboard.lost == {}
    writer.book.show(n.AlarmCleared("burn-in", "a", "+12 V low", True))
    page.look()
    assert page.dashboard.alarms == {}


def test_what_happened_is_shown_in_its_order_also_to_whoever_comes_late(writer, page):
    """Asked, acknowledged: live. Lapsed after that, or its step ended: live still. Seen safe: no more."""
    facts = AcknowledgementFacts("eht", "A4 TP40", 9400.0, "words", "words", True, "Ida", "work")

    def ask():
        writer.step()
        writer.wait()
        writer.store.event(writer.row, "hold point", {"words": "words", "level": "note"}, *writer.moment)
        writer.wait()
        writer.store.acknowledgement(writer.row, facts, *writer.moment)
        writer.wait()

    ask()
    page.look()
    assert "HIGH VOLTAGE" in page.dashboard.hold_point
    ask()
    writer.store.event(writer.row, "hold point lapsed", {"words": "paused", "level": "note"}, *writer.moment)
    writer.store.end_step(writer.row, StepResult("pass"), *writer.moment)
    page.look()
    assert "HIGH VOLTAGE" in page.dashboard.hold_point
    writer.wait()
    writer.store.event(writer.row, "made safe", {"hazard": "eht"}, *writer.moment)
    page.look()
    assert page.dashboard.hold_point == ""
    assert late(writer).hold_point == ""


def test_a_warning_that_comes_after_its_step_is_followed(writer, page):
    """Making safe is done between steps, for the step before; that it failed is what matters most."""
    writer.step()
    writer.store.end_step(writer.row, StepResult("pass"), *writer.moment)
    page.look()
    writer.store.event(writer.row, "said", {"words": "A4 TP40 WAS NOT SEEN SAFE", "level": "alarm"}, *writer.moment)
    page.look(2)
    assert [line for line in page.dashboard.remarks if "NOT SEEN SAFE" in line] == ["ALARM: A4 TP40 WAS NOT SEEN SAFE"]


def test_what_was_made_safe_before_a_job_went_on_says_nothing_of_what_is_live_since(writer):
    """Whoever comes late reads a job of two sittings in its order, also what belongs to no step."""
    facts = AcknowledgementFacts("eht", "A4 TP40", 9400.0, "words", "words", True, "Ida", "work")
    writer.step()
    writer.store.acknowledgement(writer.row, facts, *writer.moment)
    writer.resume()
    writer.store.event(None, "made safe", {"hazard": "eht"}, *writer.moment)
    assert late(writer).hold_point == ""
    writer.step()
    writer.store.acknowledgement(writer.row, facts, *writer.moment)
    assert "HIGH VOLTAGE" in late(writer).hold_point


def test_each_thing_is_told_once(writer, page):
    writer.step()
    writer.store.event(writer.row, "said", {"words": "low battery", "level": "warning"}, *writer.moment)
    writer.store.close_gap(writer.store.open_gap(writer.row, "meter", "x", *writer.moment), *writer.moment)
    page.look(3)
    kinds = [notice.kind for notice in page.told if notice.kind != "soak"]
    assert kinds == ["job started", "step started", "said", "link down", "link up"]


def test_the_newest_job_is_followed_and_its_end_is_said(writer, page):
    writer.step()
    page.look()
    writer.store.end_job("all in", 0, *writer.moment)
    page.look(1)
    assert [notice.outcome for notice in page.told if notice.kind == "job ended"] == ["all in"]
    writer.store.begin_job(JOB, *writer.moment)
    page.look()
    assert page.told[-1].kind == "job started"
    assert page.dashboard.outcome == ""


def test_a_stopped_job_that_goes_on_has_not_ended(writer, page):
    """Stopped, taken up again, and then its real end."""
    writer.step()
    writer.store.end_job("stopped", 3, *writer.moment)
    page.look()
    assert page.dashboard.outcome == "stopped"
    writer.resume()
    writer.step()
    page.look()
    assert page.dashboard.outcome == ""
    writer.store.end_job("all in", 0, *writer.moment)
    page.look()
    assert page.dashboard.outcome == "all in"


def test_how_a_watch_stands_is_written_when_it_changes_and_not_more(writer):
    """Three days of tellings leave a few entries."""
    writer.step()
    for i in range(1000):
        writer.clock.seconds += 0.2
        writer.tell("out" if 500 <= i < 600 else "in")
    with History(writer.store.path) as history:
        states = [event["facts"]["channels"][0]["state"] for event in history.events(1)]
    assert states == ["in", "out", "in"]


def test_a_record_that_is_away_for_a_while_is_said_once_and_opened_again(writer):
    """Its disk away, or its server restarted: the page lives on, and goes on where it was."""
    page, looks = Page(), iter(range(8))
    writer.step()

    def going():
        look = next(looks)
        if look == 2:
            reopened.history.close()
            writer.store.path.rename(away)
        if look == 5:
            away.rename(writer.store.path)
            writer.block([12.0])
        return look < 7

    away = writer.store.path.with_suffix(".away")
    with Reopened(str(writer.store.path)) as reopened:
        follow(reopened, Follower(reopened.history, page), page, SimClock(), going)
    assert [notice.kind for notice in page.told if notice.kind != "soak"] == ["job started", "step started", "said"]
    assert page.dashboard.soak.channels[0].readings == 1


def test_the_command_serves_what_another_process_writes(writer, tmp_path):
    """Through the command line, over a real socket, in a process of its own; Ctrl-C ends it."""
    writer.step()
    writer.tell()
    arguments = ["dashboard", "--store", str(writer.store.path)]
    program = subprocess.Popen(
        [sys.executable, "-c", "from benchrig.cli import main; main()", *arguments], stderr=subprocess.PIPE, text=True
    )
    try:
        address = re.search(r"http://\S+", program.stderr.readline()).group()
        until = time.monotonic() + 10
        with urllib.request.urlopen(f"{address}live", timeout=10) as live:
            while time.monotonic() < until:
                writer.wait()
                writer.block([12.0])
                line = live.readline()
                soak = json.loads(line[6:])["page"]["soak"] if line.startswith(b"data: {") else None
                if soak and soak["tiles"][0]["value"] == "12.00 V":
                    break
                time.sleep(0.05)
            else:
                pytest.fail("the value never came")
    finally:
        program.send_signal(signal.SIGINT)
        program.wait(10)
        program.stderr.close()
    assert program.returncode == 3
