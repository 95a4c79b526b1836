"""Hands inside the unit are asked for before anything is switched on; a value that is out gets a second look."""

import pytest
from fakes import HAZARD, FakeTools, Person, procedure, trim

from benchrig.clock import SimClock
from benchrig.procedure import load_procedure
from benchrig.readings import Flag, Reading
from benchrig.records import History, SqliteStore
from benchrig.session import AbsentOperator, run
from benchrig.session.operators import Command

UNPLUGGED = """
[[step]]
id = "intake"
kind = "confirm"
title = "Intake"
conditions = ["unplugged"]
"""
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
"""
RINGS = """
[[step]]
id = "rings"
kind = "trim"
title = "Rings"
entered = "mm"
trimmer = "ring A"
target = "0 mm"
window = ["-1 mm", "1 mm"]
"""
KNOB = RINGS.replace("rings", "knob").replace("ring A", "knob").replace("target", "mark = false\ntarget")
RAIL = """
[[step]]
id = "{id}"
kind = "measure"
title = "Rail {id}"
instrument = "handheld"
function = "dc voltage"
point = "{id}"
window = ["11.4 V", "12.6 V"]
{more}
"""


@pytest.fixture
def go(tmp_path):
    """Runs a text; gives (outcome, operator, history)."""

    def going(text, operator=None, rail=lambda now: 12.0, eht=lambda now: 9400.0, resume=None):
        file = tmp_path / "p.toml"
        file.write_text(text)
        operator = operator or Person(entries={"rings": ["0.0 mm"], "knob": ["0.0 mm"]})
        clock = SimClock()
        meter = lambda now: eht(now) if getattr(operator, "on", True) else 0.0  # noqa: E731
        tools = FakeTools(clock, True, handheld=rail, meter=meter)
        store = SqliteStore(tmp_path / "record.sqlite")
        outcome = run(load_procedure(file), tools, operator, store, clock, serial="B1", resume=resume)
        store.close()
        return outcome, operator, History(tmp_path / "record.sqlite")

    return going


def test_every_mark_is_asked_for_in_one_question_before_the_unit_is_switched_on(go):
    text = procedure(HAZARD, UNPLUGGED, trim("11 V", "13 V"), EHT, RINGS, KNOB)
    _, operator, history = go(text)
    abouts = [about for _, about in operator.asked]
    assert abouts.count("mark") == 1
    assert abouts.index("mark") < abouts.index("power on")
    assert abouts.index("mark") < abouts.index("connect")
    (asked,) = [it["facts"] for it in history.events(1) if it["facts"].get("about") == "mark"]
    assert "mark where RV1, RV41 and ring A stand now" in asked["asked"]
    assert asked["asked"].startswith("Unit off and plug pulled")


def test_no_hand_goes_into_a_live_unit_for_a_mark(go):
    """A trim of kilovolts that must be turned: after the power came on nothing is asked but what the gauge shows."""
    _, operator, history = go(procedure(HAZARD, EHT), eht=lambda now: 9700.0)
    abouts = [about for _, about in operator.asked]
    after = abouts[abouts.index("power on") + 1 :]
    assert not {"mark", "connect", "power on"} & set(after[: after.index("check")])
    assert next((it["trimmer"], it["words"]) for it in history.marks(1)) == ("RV41", "marked")


def test_what_was_not_marked_is_recorded_so(go):
    class Unwilling(Person):
        def choose(self, question):
            super().choose(question)
            return (
                "not marked"
                if question.about == "mark"
                else question.choices[-1 if question.about == "put back" else 0]
            )

    _, _, history = go(procedure(HAZARD, EHT), Unwilling(), eht=lambda now: 9700.0)
    assert history.marks(1)[0]["words"] == "not marked"


def test_a_job_that_is_taken_up_does_not_mark_where_a_trimmer_was_turned_to(go):
    text = procedure(trim("11 V", "13 V"), UNPLUGGED)
    first, stopped, _ = go(text, Person(commands=[(5, Command("stop"))]))
    assert (first.exit_code, stopped.asked[0]) == (3, ("rail", "mark"))
    _, operator, _ = go(text, Person(), resume=1)
    assert "mark" not in [about for _, about in operator.asked]


def test_nobody_there_is_asked_for_no_mark(go):
    class Nobody(AbsentOperator):
        def choose(self, question):
            assert question.about != "mark"

    go(procedure(trim("11 V", "13 V")), Nobody())


# a second look


def values(*looks):
    """A rail that reads one value at each look: another one after each question."""
    row = list(looks)
    return row, lambda now: row[0]


class Looks(Person):
    """Answers a second look with `answer`, and mends the rail for it."""

    def __init__(self, row, answer):
        super().__init__()
        self.row, self.answer, self.texts = row, answer, []

    def choose(self, question):
        super().choose(question)
        if question.about != "measure again":
            return question.choices[0]
        self.texts.append(question.text)
        if len(self.row) > 1:
            self.row.pop(0)
        return self.answer


@pytest.mark.parametrize(("second", "verdict"), [(12.0, "pass"), (10.5, "fail")])
def test_a_first_fail_is_measured_again_before_it_is_recorded_and_both_looks_are_kept(go, second, verdict):
    row, rail = values(10.0, second)
    outcome, operator, history = go(procedure(RAIL.format(id="tp1", more="")), Looks(row, "measure again"), rail)
    result = outcome.results["tp1"]
    assert (result.verdict, result.value) == (verdict, pytest.approx(second))
    assert "measured again: 10.00 V at first" in result.words
    assert result.details["first look"]["value"] == pytest.approx(10.0)
    assert result.details["first look"]["verdict"] == "fail"
    assert len(operator.texts) == 1  # once
    (step,) = history.steps(1)
    (channel,) = history.channels(step.row)
    assert {round(it.value, 1) for it in history.readings(channel)} == {10.0, second}


def test_a_fail_that_is_left_is_recorded_as_it_is(go):
    row, rail = values(10.0, 12.0)
    outcome, *_ = go(procedure(RAIL.format(id="tp1", more="")), Looks(row, "record it"), rail)
    assert (outcome.results["tp1"].verdict, outcome.results["tp1"].details) == ("fail", {})


def test_no_reading_at_all_is_looked_for_again(go):
    row, rail = values(Reading(None, "V", flags=Flag.INVALID), 12.0)
    outcome, operator, _ = go(procedure(RAIL.format(id="tp1", more="")), Looks(row, "measure again"), rail)
    assert outcome.results["tp1"].verdict == "pass"
    assert "no reading at first" in outcome.results["tp1"].words
    assert "No usable reading came" in operator.texts[0]


def test_a_value_that_is_the_last_points_asks_whether_the_lead_was_moved(go):
    """The lead is still on the point before: +12 V where +5 V should be."""
    five = RAIL.format(id="tp2", more="").replace("11.4 V", "4.85 V").replace("12.6 V", "5.15 V")
    row, rail = values(12.0, 5.0)
    outcome, operator, _ = go(procedure(RAIL.format(id="tp1", more=""), five), Looks(row, "measure again"), rail)
    assert "the same was read in 'tp1': is the lead on tp2?" in operator.texts[0]
    assert (outcome.exit_code, outcome.results["tp2"].verdict) == (0, "pass")


def test_what_dips_is_no_matter_for_a_second_look(go):
    """It fell away and came back while it was watched: the next look would only hide that."""
    row, _ = values(0.0)
    dips = lambda now: 0.2 if 0.5 <= now % 2.0 < 1.0 else 12.0  # noqa: E731
    text = procedure(RAIL.format(id="tp1", more='readings = 100\nsettle = "5 s"'))
    outcome, operator, _ = go(text, Looks(row, "measure again"), dips)
    assert outcome.results["tp1"].verdict == "fail"
    assert operator.texts == []


def test_at_a_live_point_hands_stay_out_for_a_second_look(go):
    text = procedure(HAZARD, EHT.replace('"trim"', '"measure"').replace('trimmer = "RV41"\ntarget = "9.40 kV"\n', ""))
    row, _ = values(0.0)
    outcome, operator, _ = go(text, Looks(row, "measure again"), eht=lambda now: 9900.0)
    assert operator.texts[0].endswith("Hands stay out.")
    assert outcome.results["eht"].verdict == "fail"


def test_nobody_there_takes_no_second_look(go):
    outcome, *_ = go(procedure(RAIL.format(id="tp1", more="")), AbsentOperator(), lambda now: 10.0)
    assert (outcome.results["tp1"].verdict, outcome.results["tp1"].details) == ("fail", {})
