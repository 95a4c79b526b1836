"""Running a procedure on a small bench of fakes, on a simulated clock: order, hold points, ends, exit codes."""

from datetime import timedelta

import pytest
from fakes import HAZARD, RAIL, WIDTH, FakeTools, Person, procedure, trim

from benchrig.clock import SimClock
from benchrig.errors import FileError
from benchrig.events import LinkDown, LinkUp
from benchrig.procedure import load_procedure
from benchrig.readings import Flag, Reading
from benchrig.records import History, SqliteStore
from benchrig.session import AbsentOperator, run
from benchrig.session.operators import Command
from benchrig.session.plan import printed

EHT = """
[[step]]
id = "eht"
kind = "trim"
title = "EHT"
hazard = "eht"
instrument = "meter"
function = "dc voltage"
point = "TP40"
trimmer = "RV41"
target = "9.40 kV"
window = ["9.25 kV", "9.55 kV"]
acceptable = ["9.10 kV", "9.80 kV"]
ceiling = "10.40 kV"
needs = ["rail"]
disturbs = ["width"]
"""
PROCEDURE = procedure(HAZARD, RAIL, EHT, WIDTH)


@pytest.fixture
def small(tmp_path):
    """A function that runs the small procedure and gives (outcome, tools, operator, history)."""

    def go(operator=None, eht=lambda now: 9400.0, rail=lambda now: 12.0, doubles=True, text=PROCEDURE):
        file, record = tmp_path / "small.toml", tmp_path / "record.sqlite"
        file.write_text(text)
        operator = operator or Person(entries={"width": ["18.0 mm"]})
        clock = SimClock()

        def point(now):
            return eht(now) if getattr(operator, "on", True) else 0.0

        tools = FakeTools(clock, doubles, handheld=rail, meter=point)
        store = SqliteStore(record)
        outcome = run(load_procedure(file), tools, operator, store, clock, serial="B1")
        store.close()
        return outcome, tools, operator, History(record)

    return go


def verdicts(history):
    return [(step.step, step.result.verdict) for step in history.steps(1)]


def test_a_sound_unit_passes_and_is_made_safe(small):
    """The hold point is answered twice: for the work, and for the check that it is off."""
    outcome, _tools, _operator, history = small()
    assert (outcome.exit_code, outcome.words) == (0, "all in tolerance")
    assert verdicts(history) == [("rail", "pass"), ("eht", "pass"), ("width", "pass")]
    assert [(a["purpose"], a["acknowledged"]) for a in history.acknowledgements(1)] == [("work", 1), ("check", 1)]
    assert "left alone" in outcome.results["eht"].words


def test_every_reading_shown_is_in_the_record(small):
    _outcome, _tools, operator, history = small()
    shown = [notice.reading.value for notice in operator.told if notice.kind == "reading"]
    kept = [r.value for step in history.steps(1) for c in history.channels(step.row) for r in history.readings(c)]
    assert sorted(shown) == sorted(kept)


@pytest.mark.parametrize("typed", [None, "", "y", "TP40 is live"])
def test_without_the_words_not_one_touch_reaches_the_meter(small, typed):
    """Exit code 5, a record, and no later step."""
    outcome, tools, _operator, history = small(Person(phrases={"eht": typed}))
    assert outcome.exit_code == 5
    assert tools.touched["meter"] == []
    assert verdicts(history) == [("rail", "pass"), ("eht", "refused")]
    assert history.job(1).exit_code == 5


def test_a_stand_in_cannot_acknowledge_at_real_instruments(small):
    """However right the words."""
    outcome, tools, *_ = small(doubles=False)
    assert outcome.exit_code == 5
    assert tools.touched["meter"] == []


def test_nobody_there_means_no_kilovolts(small):
    outcome, tools, _, _history = small(AbsentOperator())
    assert outcome.exit_code == 5
    assert tools.touched["meter"] == []


@pytest.mark.parametrize("value", [10500.0, -10500.0, Reading(None, "V", flags=Flag.OVERLOAD)])
def test_above_the_ceiling_everything_ends_and_is_made_safe(small, value):
    """The acknowledgement is gone, the person is told to let go, and nothing more is read but the check."""
    outcome, _tools, operator, history = small(eht=lambda now: value)
    assert outcome.exit_code == 1
    assert "above 10.40 kV" in outcome.words
    assert any(n.kind == "said" and n.level == "alarm" and "Let go" in n.words for n in operator.told)
    assert [a["purpose"] for a in history.acknowledgements(1)] == ["work", "check"]
    assert len(history.steps(1)) == 2


def test_a_dangerous_voltage_where_none_was_declared_ends_the_job(small):
    outcome, *_ = small(rail=lambda now: 230.0)
    assert outcome.exit_code == 1
    assert "above 60.00 V" in outcome.words


def test_a_lost_link_at_the_live_point_costs_the_acknowledgement(small):
    """It is asked again, and the gap is in the record."""
    looks = []

    def eht(now):
        looks.append(now)
        return LinkDown(0.0, "meter", "unplugged") if len(looks) == 3 else 9400.0

    outcome, _, _, history = small(eht=eht)
    assert [a["purpose"] for a in history.acknowledgements(1)] == ["work", "work", "check"]
    (gap,) = history.gaps(1)
    assert gap["reason"] == "unplugged"
    assert gap["closed_us"] is not None
    assert outcome.exit_code == 0


def test_a_gap_in_a_harmless_step_is_recorded_and_the_step_goes_on(small):
    """Lost, back, and only the readings after it count."""
    events = iter([12.0, LinkDown(0.0, "handheld", "unplugged"), None, LinkUp(0.0, "handheld", 0.2)])
    outcome, _, operator, history = small(rail=lambda now: next(events, 12.0))
    assert outcome.exit_code == 0
    (gap,) = history.gaps(1)
    assert gap["closed_us"] is not None
    assert {"link down", "link up"} <= {notice.kind for notice in operator.told}


def test_a_dead_rail_gives_its_hint_and_blocks_the_kilovolts(small):
    """What depends on a failed step is not begun."""
    outcome, tools, _, history = small(rail=lambda now: 0.02)
    assert outcome.exit_code == 1
    assert "look at the regulator" in outcome.results["rail"].words
    assert tools.touched["meter"] == []
    assert verdicts(history)[1:] == [("eht", "blocked"), ("width", "blocked")]


@pytest.mark.parametrize(
    ("command", "code", "verdict"), [(Command("stop"), 3, "stopped"), (Command("skip", "no time"), 1, "skipped")]
)
def test_stop_and_skip_end_as_they_should(small, command, code, verdict):
    outcome, tools, _, history = small(Person(commands=[(1, command)]))
    assert outcome.exit_code == code
    assert verdicts(history)[0] == ("rail", verdict)
    assert tools.touched["meter"] == []


def test_a_pause_goes_on_where_it_was(small):
    operator = Person(entries={"width": ["18.0 mm"]}, commands=[(2, Command("pause")), (4, Command("resume"))])
    assert small(operator)[0].exit_code == 0


def test_typed_words_that_are_no_quantity_are_asked_again(small):
    outcome, *_ = small(Person(entries={"width": ["eighteen", "18,0 mm", "18.0 V", "18.0 mm"]}))
    assert outcome.exit_code == 0
    assert outcome.results["width"].value == pytest.approx(0.018)


def test_a_crash_of_the_program_still_makes_safe_and_closes_the_record(small):
    """Ctrl-C at the worst moment."""

    class Interrupted(Person):
        def notify(self, notice):
            super().notify(notice)
            if notice.kind == "reading" and notice.step == "eht" and not hasattr(self, "hit"):
                self.hit = True
                raise KeyboardInterrupt

    operator = Interrupted()
    with pytest.raises(KeyboardInterrupt):
        small(operator)
    assert any(n.kind == "said" and "the stick decides" in n.words for n in operator.told)


def test_a_serial_that_does_not_fit_starts_nothing(small):
    with pytest.raises(FileError, match="does not fit"):
        small(text=PROCEDURE.replace('unit = "Box"', 'unit = "Box"\nserial = "C[0-9]"'))


def test_the_printed_plan_says_what_opens_what(tmp_path):
    file = tmp_path / "small.toml"
    file.write_text(PROCEDURE)
    assert "      a change here opens width again" in printed(load_procedure(file))


STUCK = procedure(trim("11.9 V", "12.1 V"))


@pytest.mark.parametrize(("choice", "words"), [("put back", "put back to 10.99 V"), ("leave", "not brought in")])
def test_what_cannot_be_brought_in_is_offered_to_be_put_back(small, choice, words):
    """The value that it has afterwards is the one that stands, beside the one as found."""
    operator = Person()
    asked = []

    def choose(question):
        asked.append(question)
        return choice if question.about == "put back" else question.choices[0]

    def rail(now):
        return 10.99 if asked and asked[-1].about == "put back" else 11.0

    operator.choose = choose
    outcome, _, _, history = small(operator, rail=rail, text=STUCK)
    assert outcome.exit_code == 1
    (question,) = [it for it in asked if it.about == "put back"]
    assert (question.trimmer, "11.00 V as found" in question.text) == ("RV1", True)
    assert words in outcome.results["rail"].words
    assert outcome.results["rail"].value == pytest.approx(10.99)
    assert outcome.results["rail"].details["as_found"] == pytest.approx(11.0)
    assert [mark["trimmer"] for mark in history.marks(1)] == ["RV1"]


def test_a_wall_clock_that_was_set_is_told_in_any_step(tmp_path):
    """The times in the record jump there: whoever is at the bench hears of it, once."""

    class Set(SimClock):
        def stamp(self):
            return super().stamp() + timedelta(hours=self.now() > 0.5)

    (tmp_path / "rail.toml").write_text(procedure(RAIL))
    operator, clock, store = Person(), Set(), SqliteStore(tmp_path / "record.sqlite")
    tools = FakeTools(clock, handheld=lambda now: 12.0)
    outcome = run(load_procedure(tmp_path / "rail.toml"), tools, operator, store, clock)
    store.close()
    assert outcome.exit_code == 0
    told = [it.words for it in operator.told if it.kind == "said"]
    assert told == ["The wall clock moved +3600.0 s against the readings' own clock."]
