"""What a report says of a job, row by row: each number with its unit, its uncertainty, its time and what read it."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from benchrig.readings import Flag, Reading
from benchrig.records import AcknowledgementFacts, Block, History, JobFacts, SqliteStore, StepFacts, StepResult
from benchrig.report.model import gather
from benchrig.report.plots import plot, plot_envelope, runs
from benchrig.report.render import render

NOON = datetime(2026, 1, 5, 12, 0, tzinfo=UTC)
JOB = JobFacts("adjust", "Adjust", "abc", "f", "Skerry 14", "SK14-0231", "Marit", "bench", False, "0", "guarded")
WORDS = "A4 TP40 is off and discharged, probe still on"


class Writer:
    """Writes one job; time is said in seconds after noon."""

    def __init__(self, path):
        self.path = path
        self.store = SqliteStore(path)
        self.store.begin_job(JOB, 0.0, NOON)

    def step(self, step, begun, ended, result, readings=(), channel="meter", **facts):
        row = self.store.begin_step(StepFacts(step, **{"kind": "measure", "title": step.upper(), "number": 1, **facts}),
                                    begun, NOON + timedelta(seconds=begun))  # fmt: skip
        for reading in readings:
            self.store.reading(row, channel, reading)
        if result is not None:
            self.store.end_step(row, result, ended, NOON + timedelta(seconds=ended))
        return row

    def answer(self, row, purpose, phrase, at):
        facts = AcknowledgementFacts("eht", "A4 TP40", 9400.0, phrase, phrase, True, "Marit", purpose)
        self.store.acknowledgement(row, facts, at, NOON + timedelta(seconds=at))

    def event(self, kind, facts, at, row=None):
        self.store.event(row, kind, facts, at, NOON + timedelta(seconds=at))

    def report(self, end=("all in tolerance", 0)):
        if end:
            self.store.end_job(*end, 99_999.0, NOON + timedelta(seconds=99_999))
        self.store.close()
        with History(self.path) as history:
            return gather(history, 1)


@pytest.fixture
def job(tmp_path):
    writer = Writer(tmp_path / "r.sqlite")
    yield writer
    writer.store.close()


def passed(value, uncertainty, **more):
    return StepResult("pass", value, "V", uncertainty, 9250.0, 9550.0, 9100.0, 9800.0, **more)


def test_each_number_has_its_uncertainty_its_time_and_its_instrument(job):
    """Found by a coarse look at eleven minutes past, left at the end of the day after."""
    job.step("eht", 650.0, 660.0, StepResult("fail", 10_100.0, "V", 60.0), [Reading(10_100.0, "V", 655.0)])
    job.step("eht", 90_000.0, 90_010.0, passed(9400.0, 30.0), [Reading(9400.0, "V", 90_005.0)])
    (line,) = job.report().lines
    assert (line.as_found, line.found_when) == ("10.10 kV ± 120 V", "12:11:00")
    assert (line.as_left, line.when) == ("9.400 kV ± 60 V", "2026-01-06 13:00:10")
    assert line.by == "meter"
    assert (line.window, line.acceptable) == ("9.250 kV to 9.550 kV", "9.100 kV to 9.800 kV")
    assert line.tur == "5.8"  # 700 V over 2 x 60 V


def test_what_a_person_typed_is_said_to_be_typed(job):
    """And what only asks for a yes has neither number nor instrument."""
    job.step("width", 1.0, 2.0, StepResult("pass", 0.018, "m", 5e-6), kind="enter")
    job.step("leads", 3.0, 4.0, StepResult("done"), kind="confirm", number=2)
    job.step("ratio", 5.0, 6.0, StepResult("pass", 0.01, "1", 0.001), kind="derive", number=3)
    assert [line.by for line in job.report().lines] == ["typed", "", "calculated"]


def axis(trimmer, value, found, verdict, low, high):
    return {
        "trimmer": trimmer, "value": value, "unit": "s", "verdict": verdict, "uncertainty": 1e-8, "as_found": found,
        "as_found_uncertainty": 2e-8, "low": low, "high": high, "acceptable_low": low, "acceptable_high": high,
        "words": "", "point": "A4 TP42", "quantity": "high time",
    }  # fmt: skip


def test_several_that_were_set_together_stand_each_for_itself(job):
    """As found of the one is never beside as left of the other; they count as one step."""
    on, off = (13.7e-6, 14.3e-6), (45.4e-6, 46.6e-6)
    first = [axis("RV43", 14.6e-6, 14.6e-6, "fail", *on), axis("RV44", 47.9e-6, 47.9e-6, "fail", *off)]
    last = [axis("RV43", 14.0e-6, 14.6e-6, "pass", *on), axis("RV44", 46.0e-6, 47.9e-6, "pass", *off)]
    job.step("timer", 1.0, 2.0, StepResult("fail", 47.9e-6, "s", details={"axes": first}), purpose="as found")
    job.step("timer", 3.0, 4.0, StepResult("pass", 14.0e-6, "s", 1e-8, *on, details={"axes": last}))
    report = job.report()
    whole, rv43, rv44 = report.lines
    assert (whole.as_found, whole.as_left, whole.window, whole.verdict) == ("", "", "", "pass")
    assert (rv43.as_found, rv43.as_left, rv43.window) == (
        "14.60 us ± 40 ns",
        "14.00 us ± 20 ns",
        "13.70 us to 14.30 us",
    )
    assert (rv44.as_found, rv44.as_left, rv44.window) == (
        "47.90 us ± 40 ns",
        "46.00 us ± 20 ns",
        "45.40 us to 46.60 us",
    )
    assert report.counts == {"in": 1, "conditional": 0, "out": 0, "none": 0}


def test_an_older_record_gives_the_window_of_the_worst_and_no_other(job):
    """It kept no other; nothing is made up."""
    axes = [{"trimmer": t, "value": v, "unit": "s", "verdict": "pass", "uncertainty": 1e-8, "as_found": v}
            for t, v in (("RV43", 14.0e-6), ("RV44", 46.0e-6))]  # fmt: skip
    job.step("timer", 1.0, 2.0, StepResult("pass", 14.0e-6, "s", 1e-8, 13.7e-6, 14.3e-6, details={"axes": axes}))
    _, rv43, rv44 = job.report().lines
    assert (rv43.window, rv44.window) == ("13.70 us to 14.30 us", "")
    assert rv43.as_found == "14.00 us"


def test_both_acknowledgements_are_told_with_the_words_that_were_asked_for(job):
    """To work at it live, and that it is off: the second has no volts of its own."""
    row = job.step("eht", 1.0, 9.0, passed(9400.0, 30.0))
    job.answer(row, "work", "A4 TP40 is live at 9.40 kV", 2.0)
    job.answer(row, "check", WORDS, 8.0)
    job.event("made safe", {"hazard": "eht"}, 8.5, row)
    report = job.report()
    live, off = report.answers
    assert (live.asked, live.expected, live.when) == ("A4 TP40 is live at 9.40 kV", "9.400 kV", "12:00:02")
    assert (off.asked, off.typed, off.expected) == (WORDS, WORDS, "")
    assert "is off" in off.purpose
    assert report.live == []
    assert WORDS in render(report)


def test_a_point_that_was_not_made_safe_is_said_loudly(job):
    """Also where it was made safe once and worked at again afterwards."""
    row = job.step("eht", 1.0, 9.0, passed(9400.0, 30.0))
    job.answer(row, "work", "A4 TP40 is live at 9.40 kV", 2.0)
    job.event("made safe", {"hazard": "eht"}, 3.0, row)
    job.answer(row, "work", "A4 TP40 is live at 9.40 kV", 4.0)
    report = job.report(("A4 TP40 was not made safe", 5))
    assert report.live == ["A4 TP40"]
    assert "Take it for live" in render(report)


def test_the_unit_s_truth_has_units_and_says_which_is_the_last(job):
    """The unit is the value's; what was out as found is no reproach to what was left."""
    job.step("zero", 1.0, 2.0, StepResult("fail", -0.041, "V", 1e-3), purpose="as found")
    job.event("truth", {"step": "zero", "name": "A2 TP21", "read": -0.041, "true": -0.04055, "inside": False}, 2.0)
    job.step("zero", 3.0, 4.0, StepResult("pass", 1e-4, "V", 1e-4))
    job.event("truth", {"step": "zero", "name": "A2 TP21", "read": 1e-4, "true": 1.2e-4, "inside": True}, 4.0)
    found, left = job.report().truths
    assert (found.read, found.true, found.last) == ("-41.0000 mV", "-40.5500 mV", False)
    assert (left.read, left.true, left.last) == ("100.000 uV", "120.000 uV", True)


def test_what_was_said_aloud_stands_in_it(job):
    """Warnings and alarms; not every word."""
    job.event("said", {"words": "Paused.", "level": "note"}, 1.0)
    job.event("said", {"words": "A4 TP40 WAS NOT SEEN SAFE.", "level": "alarm"}, 2.0)
    job.event("hold point lapsed", {"words": "paused"}, 3.0)
    assert job.report().notes == [
        ("12:00:02", "alarm", "A4 TP40 WAS NOT SEEN SAFE."),
        ("12:00:03", "warning", "The acknowledgement lapsed: paused"),
    ]


def test_a_job_that_was_broken_off_says_so_and_when_it_was_last_alive(job):
    """Its last step is begun and not ended; what it never began cannot be in the table, and that is said."""
    job.step("eht", 1.0, None, None)
    job.store.keep_alive(5.0)
    report = job.report(end=None)
    assert "last sign of life 2026-01-05 12:00:05 UTC" in report.verdict
    assert (report.lines[0].verdict, report.lines[0].when) == ("not ended", "begun 12:00:01")
    assert not report.whole
    assert "did not come to its end" in render(report)


def test_a_job_that_was_taken_up_again_tells_its_sittings(job):
    """Each with its beginning."""
    job.step("eht", 1.0, 2.0, passed(9400.0, 30.0))
    job.store.resume_job(1, 7.0, NOON + timedelta(days=1))
    job.step("eht", 8.0, 9.0, passed(9410.0, 30.0))
    assert [it.partition(",")[0] for it in job.report().sittings] == [
        "from 2026-01-05 12:00:00 UTC",
        "from 2026-01-06 12:00:00 UTC",
    ]


def test_a_soak_that_was_killed_shows_what_it_had_read(job):
    """Nights of readings are not left out for want of a last word."""
    row = job.step("soak", 0.0, None, None, kind="soak")
    times = np.arange(3600.0)
    job.store.block(row, "+12 V", Block(times, np.full(3600, 12.0), np.zeros(3600, np.uint32), "V"))
    (soak,) = job.report(end=None).soaks
    assert "broken off" in soak.why
    assert soak.lasted in ("0:59:59", "0:59:57")  # the middle of the last stretch drawn
    assert [(it.name, it.least, it.greatest) for it in soak.channels] == [("+12 V", "12.00 V", "12.00 V")]
    assert len(soak.drawn) == 1


def test_what_cannot_be_judged_is_not_drawn_and_is_counted(job):
    """An overload between two good stretches leaves a hole and no line across it."""
    readings = [Reading(12.0, "V", 0.1 * i) for i in range(10)]
    readings += [Reading(None, "V", 1.0 + 0.1 * i, Flag.OVERLOAD) for i in range(5)]
    readings += [Reading(12.5, "V", 1.5, Flag.STALE), *(Reading(12.1, "V", 2.0 + 0.1 * i) for i in range(10))]
    job.step("rail", 0.0, 9.0, StepResult("pass", 12.0, "V"), readings)
    (figure,) = job.report().figures
    assert "6 of 26 are not usable and not drawn (overload 5, stale 1)" in figure.caption
    assert figure.svg.count("<polyline") == 2


def test_a_line_ends_where_time_passed_without_a_reading():
    """Of a course, and of a soak's stretches; a single reading between two holes is a dot."""
    times = np.concatenate((np.arange(50.0), [500.0], 1000.0 + np.arange(50.0)))
    assert [(it.start, it.stop) for it in runs(times)] == [(0, 50), (50, 51), (51, 101)]
    drawn = plot(times, np.ones(101), unit="V", title="T")
    assert (drawn.count("<polyline"), drawn.count("<circle")) == (2, 1)
    from benchrig.records.envelope import Envelope

    assert plot_envelope(Envelope(times, *[np.ones(101)] * 3), unit="V", title="T").count("<polyline") == 2


@pytest.mark.parametrize("n", [1, 2, 3, 1000])
def test_steady_readings_are_one_line(n):
    """However few."""
    assert len(runs(np.arange(float(n)))) == 1
