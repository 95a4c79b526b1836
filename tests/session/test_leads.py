"""A lead that was put on a hazard's point is read by nothing else until it was moved off, whatever a file says."""

import dataclasses

import pytest
from fakes import HAZARD, RAIL, FakeTools, Person, procedure

from benchrig.clock import SimClock
from benchrig.errors import Refused
from benchrig.instruments import Function
from benchrig.procedure import load_procedure
from benchrig.procedure.quantities import MeterSource
from benchrig.records import SqliteStore
from benchrig.session import AbsentOperator, run
from benchrig.session.leads import Leads

EHT = """
[[step]]
id = "eht"
kind = "measure"
title = "EHT"
hazard = "eht"
instrument = "meter"
function = "dc voltage"
point = "TP40"
window = ["9.25 kV", "9.55 kV"]
"""
AFTER = """
[[step]]
id = "after"
kind = "measure"
title = "After"
instrument = "meter"
function = "dc voltage"
point = "TP2"
window = ["0 V", "13 V"]
"""
SECOND = EHT.replace('"eht"\nkind', '"second"\nkind').replace('"meter"', '"handheld"')
TEXT = procedure(HAZARD, RAIL, EHT, AFTER)


@pytest.fixture
def load(tmp_path):
    def go(text=TEXT):
        file = tmp_path / "small.toml"
        file.write_text(text)
        return load_procedure(file)

    return go


@pytest.fixture
def go(tmp_path):
    """Runs a procedure; gives (outcome, tools, operator)."""

    def going(made, operator=None, resume=None):
        clock, operator = SimClock(), operator or Person()
        tools = FakeTools(clock, True, handheld=lambda now: 9400.0 if len(tools.touched["meter"]) else 12.0,
                          meter=lambda now: 9400.0 if operator.on else 0.0)  # fmt: skip
        store = SqliteStore(tmp_path / "record.sqlite")
        try:
            return run(made, tools, operator, store, clock, serial="B1", resume=resume), tools, operator
        finally:
            store.close()

    return going


def changed(made, step, **keys):
    """The procedure with another step in place of one, as no file would load it."""
    steps = tuple(it.model_copy(update=keys) if it.id == step else it for it in made.steps)
    return dataclasses.replace(made, steps=steps)


def at(point, instrument="meter"):
    return MeterSource(instrument, Function.DC_VOLTAGE, point)


def test_after_make_safe_the_lead_is_moved_before_it_is_read(load, go):
    outcome, tools, person = go(load())
    assert outcome.results["eht"].verdict == "pass"
    assert [about for step, about in person.asked if step == "after"] == ["connect"]
    assert tools.touched["meter"]


@pytest.mark.parametrize("point", ["", "TP40", "tp-40"])
def test_a_step_that_names_no_other_place_is_refused_by_the_door(load, go, point):
    """The file would not load; a procedure made in code is held off too, and not one reading is taken."""
    made = load()
    made = changed(made, "after", point=point)
    outcome, tools, _ = go(made)
    assert outcome.exit_code == 5
    assert outcome.results["after"].verdict == "refused"
    words = "last put on TP40" if not point else "is a point of 'EHT'"
    assert words in outcome.words
    assert len(tools.touched["meter"]) == len(go(load(procedure(HAZARD, RAIL, EHT)))[1].touched["meter"])


def test_a_lead_that_is_not_said_to_be_moved_is_not_read(load, go):
    outcome, tools, _ = go(load(), Person(choices={"after": "not connected"}))
    assert outcome.results["after"].verdict == "skipped"
    with_after = len(tools.touched["meter"])
    _, alone, _ = go(load(procedure(HAZARD, RAIL, EHT)))
    assert with_after == len(alone.touched["meter"])


def test_nobody_there_moves_no_lead(load, go):
    """What is first read unattended hangs where the file says; a second place of the same lead is not read."""
    text = procedure(RAIL, RAIL.replace('"rail"', '"other"').replace("TP1", "TP2"))
    operator = AbsentOperator()
    operator.on = True
    outcome, _, _ = go(load(text), operator)
    assert (outcome.results["rail"].verdict, outcome.results["other"].verdict) == ("pass", "skipped")


def test_a_second_lead_goes_on_a_live_point_only_after_it_was_made_safe(load, go):
    """Hand work inside comes before the power, also between two steps of one hazard."""
    _, _, person = go(load(procedure(HAZARD, RAIL, EHT, SECOND)))
    asked = [about for step, about in person.asked if step == "second"]
    assert asked == ["connect", "work", "power on", "check", "probe still on"]
    assert ("eht", "check") in person.asked


def test_the_same_lead_at_the_same_point_stays_live_between_steps(load, go):
    _, _, person = go(load(procedure(HAZARD, RAIL, EHT, SECOND.replace('"handheld"', '"meter"'))))
    assert ("eht", "check") not in person.asked
    assert [about for step, about in person.asked if step == "second"] == ["work", "check", "probe still on"]


def test_a_map_knows_a_lead_until_it_is_moved(load):
    leads = Leads(load())
    with pytest.raises(Refused, match="not known where"):
        leads.require(at(""), None)
    leads.put(leads.to_move(load().step("eht")))
    for point in ("", "TP2", "TP40"):
        with pytest.raises(Refused):
            leads.require(at(point), None)
    leads.require(at("TP40"), "eht")
    leads.require(at("TP1", "handheld"), None)
    leads.put(leads.to_move(load().step("after")))
    leads.require(at("TP2"), None)
    assert not leads.to_move(load().step("after"))


def test_after_a_break_a_lead_may_still_be_there(load):
    leads = Leads(load())
    leads.presume(["eht"])
    with pytest.raises(Refused, match="last put on TP40"):
        leads.require(at("TP2"), None)
    with pytest.raises(Refused, match="last put on TP40"):
        leads.require(at(""), None)
    assert leads.to_move(load().step("after"))
    other = Leads(load())
    other.presume([])
    other.require(at("TP2"), None)
