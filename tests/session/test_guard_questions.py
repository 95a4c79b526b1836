"""What the guard asks before a point is live, in which order, and what it records, tells and takes away."""

import dataclasses
import math

import pytest
from guarded import Bench, Supply

from benchrig.errors import Refused
from benchrig.holdpoint import Exposure, HoldMove, HoldPhase
from benchrig.procedure.model import Hazard
from benchrig.procedure.quantities import MeterSource, TypedSource
from benchrig.records.facts import AcknowledgementFacts
from benchrig.session.guard import checking_source
from benchrig.session.machine import SessionPhase
from benchrig.session.operators import HoldRequest


@pytest.fixture
def bench(tmp_path):
    return lambda script=(1.0,), **options: Bench(tmp_path, script, **options)


def test_a_guard_begins_with_nothing_live_and_nothing_known(bench):
    guard = bench().guard
    assert (guard.session.phase, guard.power, guard.came_on) == (SessionPhase.READY, None, -math.inf)
    assert (guard.acknowledgement, guard.reason) == (None, "")


def test_a_harmless_step_asks_nothing(bench):
    on = bench()
    on.begin("safe")
    assert on.guard.session.phase is SessionPhase.WORKING
    on.guard.pause()
    assert on.guard.session.phase is SessionPhase.PAUSED
    on.guard.resume()
    on.guard.done()
    on.guard.done()  # once more changes nothing
    assert (on.guard.session.phase, on.asked(), on.store.events) == (SessionPhase.READY, [], [])
    on.guard.end()
    assert on.guard.session.phase is SessionPhase.ENDED


def test_before_a_point_is_live_the_probe_goes_on_with_the_power_off(bench):
    """Off and discharged, probe, hold point, on: in this order, in these words."""
    on = bench()
    on.begin("eht")
    texts = {about: text for about, text in on.person.asked if about != "work"}
    assert on.asked() == ["power off", "connect", "work", "power on"]
    assert texts == {
        "power off": "Before the probe goes on TP40: Switch off. Discharge.",
        "connect": "Cap off. Probe's ground first, then its tip on TP40.",
        "power on": "Switch the unit on, and keep one hand behind your back.",
    }
    assert (on.guard.session.phase, on.guard.session.hazard) == (SessionPhase.LIVE_WORKING, "eht")
    assert (on.guard.power, on.guard.came_on) == (True, 0.0)


def test_what_the_person_sees_and_the_machine_holds_are_the_same(bench):
    """The request word for word; the exposure with the step's ceiling, or else 1.25 times what is expected."""
    on = bench()
    exposure = on.live().exposure
    (request,) = [what for about, what in on.person.asked if about == "work"]
    assert request == HoldRequest(
        step="eht",
        title="EHT",
        unit_serial="B1",
        test_point="TP40",
        expected="9.40 kV",
        cautions=("It can kill.",),
        in_place=("Probe ground on the chassis first",),
        phrase="TP40 is live at 9.40 kV",
        purpose="work",
    )
    assert exposure == Exposure("eht", "eht", "B1", "Marit", "TP40", 9400.0, 10400.0, 42.4, 900.0)
    assert bench().live("loose").exposure.ceiling == 1.25 * 9400.0
    mains = bench().live("by-hand").exposure
    assert (mains.limit, mains.valid) == (30.0, 600.0)


def test_of_several_ceilings_at_the_point_the_lowest_holds_and_a_soak_lasts_as_long_as_it_takes(bench):
    """Ceilings of other points of the step are not the point's."""
    soaking = bench()
    exposure = soaking.live("soak").exposure
    assert exposure.ceiling == 10_300.0
    assert exposure.valid == 900.0 + 3600.0


def test_the_person_is_told_and_the_record_keeps_each_answer(bench):
    """Wrong ones too, word for word."""
    on = bench()
    words = iter(["y", "TP40 is live at 9.40 kV"])
    on.person.acknowledge = lambda hold: next(words)
    on.begin("eht")
    right = AcknowledgementFacts(
        "eht", "TP40", 9400.0, "TP40 is live at 9.40 kV", "TP40 is live at 9.40 kV", True, "Marit", "work", ""
    )
    wrong = dataclasses.replace(right, typed="y", acknowledged=False, words='typed "y"')
    assert on.store.acknowledgements == [(7, wrong), (7, right)]
    told = [it for it in on.person.told if it.kind.startswith("hold point")]
    assert [it.kind for it in told] == ["hold point", "hold point answered", "hold point answered"]
    assert (told[0].step, told[0].phrase) == ("eht", "TP40 is live at 9.40 kV")
    assert [(it.step, it.acknowledged, it.typed) for it in told[1:]] == [
        ("eht", False, "y"),
        ("eht", True, "TP40 is live at 9.40 kV"),
    ]
    kept = [it for it in on.store.events if it[1] == "hold point"]
    assert kept == [(7, "hold point", {"words": "TP40 is live at 9.40 kV", "level": "note"})]


def test_answers_to_questions_are_recorded_with_what_was_asked(bench):
    on = bench()
    on.begin("eht")
    asked = [(row, facts) for row, kind, facts in on.store.events if kind == "answer"]
    assert [(row, facts["about"], facts["chosen"]) for row, facts in asked] == [
        (7, "power off", "off"),
        (7, "connect", "connected"),
        (7, "power on", "on"),
    ]
    assert on.person.choices == [("off", "not off"), ("connected", "not connected"), ("on", "not on")]
    assert asked[0][1]["asked"] == "Before the probe goes on TP40: Switch off. Discharge."


def test_a_unit_that_is_on_is_switched_off_for_the_probe_and_one_that_is_off_is_left(bench):
    """Not known counts as on."""
    on, off = bench(), bench()
    assert on.guard.need_power(True)
    assert off.guard.need_power(False)
    for it in (on, off):
        it.asked()
        it.begin("eht")
    assert on.asked() == ["power off", "connect", "work", "power on"]
    assert off.asked() == ["connect", "work", "power on"]


@pytest.mark.parametrize(
    ("never", "why"),
    [("power off", "the unit was not switched off for the probe"), ("connect", "the probe was not put on")],
)
def test_a_probe_that_does_not_go_on_safely_begins_no_step(bench, never, why):
    """The job is to end, nothing was live, and no hold point was reached."""
    on = bench(never=[never])
    with pytest.raises(Refused) as refused:
        on.begin("eht")
    assert refused.value.message == f"eht: {why}."
    assert refused.value.next_step == "Begin again when it can be done."
    assert (on.guard.session.phase, on.guard.session.ending, on.guard.session.hazard) == (SessionPhase.READY, why, "")
    assert "work" not in on.asked()


def test_a_refused_hold_point_names_the_point_the_reason_and_what_to_do(bench):
    on = bench(refuse=True)
    with pytest.raises(Refused) as refused:
        on.begin("eht")
    assert refused.value.message == "TP40 was not acknowledged (refused)."
    assert refused.value.next_step == "Nothing was read there. Begin again when everything is in place."
    assert (on.guard.session.phase, on.guard.session.ending) == (SessionPhase.READY, "hold point of eht: refused")
    assert "power on" not in on.asked()


def test_power_that_is_not_switched_on_is_not_taken_for_on(bench):
    on = bench(never=["power on"])
    on.begin("eht")
    assert (on.guard.power, on.guard.came_on) == (False, -math.inf)


def test_a_second_step_at_the_same_point_asks_its_hold_point_and_nothing_else(bench):
    """The probe is on and the unit is on already."""
    on = bench()
    first = on.live()
    on.guard.done()
    assert on.guard.session.phase is SessionPhase.LIVE_READY
    on.asked()
    second = on.live("loose")
    assert on.asked() == ["work"]
    assert (first.exposure.step, second.exposure.step) == ("eht", "loose")
    with pytest.raises(Refused, match="no longer valid"):
        first.require("eht", "eht", on.guard.moment())


def test_a_step_that_is_done_gives_its_acknowledgement_back(bench):
    """Also before anything else is reached: nobody reads on between two steps."""
    on = bench()
    kept = on.live()
    on.guard.done()
    assert (on.guard.acknowledgement, on.guard.reason) == (None, "left")
    with pytest.raises(Refused, match="no longer valid"):
        kept.require("eht", "eht", on.guard.moment())


def test_the_unit_is_switched_only_where_it_is_not_as_needed_already(bench):
    """What the person said last is believed, and remembered with its time."""
    on = bench()
    on.clock.sleep_until(5.0)
    assert on.guard.need_power(True)
    assert on.guard.need_power(True)
    assert on.person.asked == [("power on", "Switch the unit on.")]
    assert (on.guard.power, on.guard.came_on) == (True, 5.0)
    on.clock.sleep_until(9.0)
    assert on.guard.need_power(False)
    assert on.person.asked[-1] == ("power off", "Switch the unit off and pull its plug.")
    assert (on.guard.power, on.guard.came_on) == (False, 5.0)
    on.person.never = {"power on"}
    assert not on.guard.need_power(True)
    assert (on.guard.power, on.guard.came_on) == (False, 5.0)


def test_a_lapse_is_told_once_and_leaves_the_step(bench):
    on = bench()
    kept = on.live()
    on.guard.lapse(HoldMove.LINK_LOST)
    assert (on.guard.session.phase, on.guard.acknowledgement, on.guard.reason) == (
        SessionPhase.LIVE_READY,
        None,
        "link lost",
    )
    on.guard.lapsed()  # once more is told no more
    lapses = [it for it in on.person.told if it.kind == "hold point lapsed"]
    assert [(it.step, it.reason) for it in lapses] == [("eht", "link lost")]
    assert (7, "hold point lapsed", {"words": "link lost", "level": "note"}) in on.store.events
    with pytest.raises(Refused):
        kept.require("eht", "eht", on.guard.moment())


def test_readings_move_the_hold_point_of_the_step(bench):
    on = bench()
    on.live()
    assert on.guard.see(9400.0, False) is HoldPhase.LIVE
    assert on.guard.see(None, True) is HoldPhase.LAPSED
    assert "more than can be shown" in on.guard.reason


@pytest.mark.parametrize("ways", ["work", "live", "asked"])
def test_a_cut_ends_the_job_wherever_it_stands_and_keeps_its_first_reason(bench, ways):
    """Live stays guarded until it is made safe."""
    on = bench()
    kept = on.live() if ways == "live" else None
    if ways == "work":
        on.begin("safe")
    on.guard.cut("stopped")
    on.guard.cut("again")
    assert on.guard.session.phase is (SessionPhase.LIVE_READY if ways == "live" else SessionPhase.READY)
    assert on.guard.session.ending == "stopped"
    if kept is not None:
        assert on.guard.reason == "left"
        with pytest.raises(Refused):
            kept.require("eht", "eht", on.guard.moment())
    on.guard.end()
    assert on.guard.session.phase is (SessionPhase.LIVE_READY if ways == "live" else SessionPhase.ENDED)


def test_after_the_end_nothing_is_cut(bench):
    on = bench()
    on.guard.end()
    on.guard.cut("late")
    assert (on.guard.session.phase, on.guard.session.ending) == (SessionPhase.ENDED, "")


@pytest.mark.parametrize(
    ("supply", "said", "power"),
    [
        (None, [], True),
        (Supply(), [("note", "Supply switched off, 0.000 V at its terminals.")], False),
        (Supply(stuck=True), [("alarm", "The supply does not say that it is off.")], True),
    ],
)
def test_a_breach_takes_the_acknowledgement_and_the_power(bench, supply, said, power):
    """The person is told first; the supply is believed only where its terminals show it."""
    on = bench(supply=supply)
    kept = on.live()
    on.guard.breached()
    on.guard.breached()  # a second reading on its way changes nothing
    assert on.said() == [("alarm", "TOO HIGH. Let go. Hands away. Switch the unit off."), *said] * 2
    assert (on.guard.power, on.guard.reason, on.guard.acknowledgement) == (power, "above ceiling", None)
    with pytest.raises(Refused):
        kept.require("eht", "eht", on.guard.moment())


def test_a_breach_keeps_the_words_of_what_took_the_acknowledgement(bench):
    """The reading that was too high says more than the breach."""
    on = bench()
    on.live()
    on.guard.see(10_500.0, False)
    on.guard.breached()
    assert on.guard.reason == "TP40 at 10.50 kV, ceiling 10.40 kV"


def test_a_breach_where_nothing_was_acknowledged_still_switches_off(bench):
    """60 V in a harmless step."""
    on = bench(supply=Supply())
    on.begin("safe")
    on.guard.breached()
    assert not on.supply.on


def test_what_shows_that_a_point_is_off_is_the_meter_that_reads_it_else_a_person(bench):
    procedure = bench().procedure
    found = checking_source(procedure, procedure.hazards["eht"])
    assert isinstance(found, MeterSource)
    assert (found.instrument, found.point) == ("meter", "TP40")
    by_hand = TypedSource("V", "TP1", "V")
    assert checking_source(procedure, procedure.hazards["mains"]) == by_hand
    # A meter at another point of the same hazard, or at the same point in a step without it, is not it.
    other = procedure.hazards["eht"].model_copy(update={"test_point": "TP2"})
    assert checking_source(procedure, other) == TypedSource("V", "TP2", "V")
    said = ["as it must be"]
    same = Hazard(title="X", test_point="TP9", expected="100 V", cautions=said, in_place=said, make_safe=said).called(
        "x"
    )
    assert checking_source(procedure, same) == TypedSource("V", "TP9", "V")
