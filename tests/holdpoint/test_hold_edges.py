"""The hold point's table written out a second time, its figures, and what happens exactly on each of its limits."""

import dataclasses
from datetime import UTC, datetime, timedelta

import pytest

from benchrig import holdmachine
from benchrig.clock import SimClock
from benchrig.errors import Refused
from benchrig.holdmachine import (
    ASKING,
    HANDS_MAY_GO_IN,
    LAPSES,
    READABLE,
    TRANSITIONS,
    Exposure,
    Happened,
    HoldMove,
    HoldPhase,
    HoldState,
    HoldTick,
    Mint,
    Moment,
    Person,
    PointSeen,
    Reached,
    Revoke,
    Typed,
    step,
)
from benchrig.holdpoint import HoldPoint

# Every lapse of a row, then its other moves. What is not named raises.
TABLE = {
    "shut": ("shut", {"reached": "asked"}),
    "asked": ("shut", {"right words": "live", "wrong words": "asked", "declined": "shut"}),
    "live": ("lapsed", {}),
    "lapsed": ("lapsed", {"reached": "asked again", "make safe": "asked off"}),
    "asked again": ("lapsed", {"right words": "live", "wrong words": "asked again", "declined": "lapsed"}),
    "asked off": ("lapsed", {"right words": "checking", "wrong words": "asked off", "declined": "lapsed"}),
    "checking": ("lapsed", {"below limit": "shut"}),
}
LAPSING = {"left", "paused", "link lost", "clock jumped", "expired", "above ceiling", "probe off"}

BEGUN = 1000.0  # the acknowledgement is given at a time that is not 0
ORIGIN = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
EHT = Exposure("eht", "set-eht", "SK14-0231", "Marit", "A4 TP40", 9400.0, ceiling=10400.0)
OPEN = dataclasses.replace(EHT, ceiling=None)
MARIT = Person("Marit", attended=True, acts_for_person=False, at_doubles=False)


def at(after, skew=0.0):
    """`after` seconds after the acknowledgement; the wall clock is ahead by `skew`."""
    return Moment(BEGUN + after, ORIGIN + timedelta(seconds=after + skew))


def run(state, *events):
    for event in events:
        state, _ = step(state, event)
    return state


def asked(exposure=EHT):
    return run(HoldState(), Reached(exposure, at(0)))


def live(exposure=EHT):
    return run(asked(exposure), Typed(exposure.phrase, MARIT, at(0)))


def asked_off(exposure=EHT):
    return run(live(exposure), Happened(HoldMove.LEFT, at(0)), Happened(HoldMove.MAKE_SAFE, at(0)))


def asked_again(exposure=EHT):
    return run(live(exposure), Happened(HoldMove.LEFT, at(0)), Reached(exposure, at(0)))


def checking(exposure=EHT):
    return run(asked_off(exposure), Typed(exposure.off_phrase, MARIT, at(0)))


def test_the_table_is_this_one():
    """Written a second time, by rows: no entry more, none less, none elsewhere."""
    written = {
        (phase, move): after
        for phase, (lapsed, others) in TABLE.items()
        for move, after in {**dict.fromkeys(LAPSING, lapsed), **others}.items()
    }
    assert {(str(phase), str(move)): str(after) for (phase, move), after in TRANSITIONS.items()} == written
    assert {str(move) for move in LAPSES} == LAPSING
    assert {str(phase) for phase in HoldPhase} == set(TABLE)


def test_the_kinds_of_phase_are_these():
    """Where a point may be read, where hands may go in, where words are waited for."""
    assert set(map(str, READABLE)) == {"live", "checking"}
    assert set(map(str, HANDS_MAY_GO_IN)) == {"shut", "asked"}
    assert set(map(str, ASKING)) == {"asked", "asked again", "asked off"}


def test_no_move_leads_from_one_readable_phase_to_another():
    """So that each leave to read is either given or taken by a move, never both."""
    assert not {move for (phase, move), after in TRANSITIONS.items() if phase in READABLE and after in READABLE}


def test_the_figures_are_these():
    """Common practice, no source, but for the limit: 42.4 V peak is where published meter manuals begin to warn."""
    figures = (holdmachine.ATTEMPTS, holdmachine.CLOCK_SLACK, holdmachine.NOTHING, holdmachine.GRACE)
    assert figures == (3, 2.0, 0.01, 20.0)
    assert (holdmachine.BELOW_FOR, holdmachine.BELOW_READINGS) == (3.0, 3)
    assert (EHT.limit, EHT.valid) == (42.4, 900.0)


def test_a_hold_point_begins_shut_and_knows_nothing():
    assert HoldState() == HoldState(HoldPhase.SHUT, None, None, 0, False, (), "")


def test_nothing_that_a_hold_point_knows_can_be_changed_in_place():
    """A state, an event, an effect: made once, then only replaced."""
    kinds = [it for it in vars(holdmachine).values() if dataclasses.is_dataclass(it)]
    assert len(kinds) == 11
    for made in (asked(), EHT, MARIT, at(0), HoldTick(at(0)), Revoke("x"), PointSeen(1.0, False, at(0))):
        with pytest.raises(dataclasses.FrozenInstanceError):
            setattr(made, dataclasses.fields(made)[0].name, None)
    assert all(kind.__dataclass_params__.frozen for kind in kinds)


def test_the_off_phrase_names_the_point_and_that_the_probe_stays():
    """A reading of nothing through a probe that was taken off would prove nothing."""
    assert EHT.off_phrase == "A4 TP40 is off and discharged, probe still on"
    assert checking().phase is HoldPhase.CHECKING


def test_who_may_acknowledge_has_no_refusal():
    assert MARIT.refusal(EHT) == ""


@pytest.mark.parametrize(
    ("asking", "words", "right", "refused"),
    [
        (asked, EHT.phrase, HoldPhase.LIVE, HoldPhase.SHUT),
        (asked_again, EHT.phrase, HoldPhase.LIVE, HoldPhase.LAPSED),
        (asked_off, EHT.off_phrase, HoldPhase.CHECKING, HoldPhase.LAPSED),
    ],
)
def test_each_question_may_be_answered_wrongly_twice_and_refused_at_once(asking, words, right, refused):
    """The same for all three; no answer at all is a refusal."""
    wrong = [Typed("y", MARIT, at(1))] * 2
    state = run(asking(), *wrong)
    assert (state.phase, state.reason, state.wrong) == (asking().phase, 'typed "y"', 2)
    assert run(state, Typed(words, MARIT, at(1))).phase is right
    assert run(state, Typed(words, MARIT, at(1))).wrong == 0
    third = run(state, Typed("y", MARIT, at(1)))
    assert (third.phase, third.reason) == (refused, "3 times other words than asked for")
    none = run(asking(), Typed(None, MARIT, at(1)))
    assert (none.phase, none.reason) == (refused, "refused")


@pytest.mark.parametrize("leave", [live, checking])
def test_a_lapse_leaves_nothing_of_the_acknowledgement_behind(leave):
    """Neither its time nor the readings since."""
    state = run(leave(), PointSeen(10.0, False, at(1)), Happened(HoldMove.PAUSED, at(2)))
    assert state == HoldState(HoldPhase.LAPSED, EHT, None, 0, False, (), "paused")


@pytest.mark.parametrize("leave", [live, checking])
@pytest.mark.parametrize(
    ("moment", "still"),
    [(at(900), True), (at(900.001), False), (at(5, 2), True), (at(5, -2), True), (at(5, 2.001), False)],
)
def test_leave_to_read_ends_just_after_its_time_and_with_a_jump_of_more_than_the_slack(leave, moment, still):
    assert run(leave(), HoldTick(moment)).phase is (leave().phase if still else HoldPhase.LAPSED)


def test_a_clock_may_stand_still_but_not_go_back():
    assert run(live(), HoldTick(at(0))).phase is HoldPhase.LIVE
    assert run(live(), HoldTick(at(-0.001))).phase is HoldPhase.LAPSED


def test_a_hundredth_of_what_is_expected_is_something():
    """The probe may be off below it, not at it."""
    on = run(live(), PointSeen(9400.0, False, at(1)))
    assert run(on, PointSeen(94.0, False, at(2))).phase is HoldPhase.LIVE
    assert run(on, PointSeen(-94.0, False, at(2))).phase is HoldPhase.LIVE
    off = run(on, PointSeen(93.9, False, at(2)))
    assert (off.phase, off.reason) == (HoldPhase.LAPSED, "A4 TP40 reads 93.90 V: probe off, or power gone")


def test_the_grace_for_power_to_come_on_is_counted_from_the_acknowledgement():
    assert run(live(), PointSeen(0.0, False, at(20))).phase is HoldPhase.LIVE
    assert run(live(), PointSeen(0.0, False, at(20.001))).phase is HoldPhase.LAPSED


def test_power_may_come_on_anew_after_every_acknowledgement():
    """What was seen before the lapse is forgotten with it."""
    again = run(live(), PointSeen(9400.0, False, at(1)), Happened(HoldMove.LEFT, at(2)), Reached(EHT, at(3)))
    again = run(again, Typed(EHT.phrase, MARIT, at(4)))
    assert run(again, PointSeen(0.0, False, at(5))).phase is HoldPhase.LIVE


@pytest.mark.parametrize(
    "seen", [PointSeen(None, True, at(1)), PointSeen(9400.0, False, at(1)), PointSeen(None, True, at(0))]
)
def test_an_overload_without_a_ceiling_is_a_voltage_that_was_there(seen):
    """So nothing after it is a probe that came off, also within the grace; no number at all tells nothing."""
    on = run(live(OPEN), seen, PointSeen(None, False, at(2)))
    assert on.phase is HoldPhase.LIVE
    assert run(on, PointSeen(0.0, False, at(3))).phase is HoldPhase.LAPSED
    assert run(live(OPEN), PointSeen(None, False, at(2)), PointSeen(0.0, False, at(3))).phase is HoldPhase.LIVE


@pytest.mark.parametrize(
    ("seen", "shown"),
    [
        (PointSeen(10_401.0, False, at(1)), "10.40 kV"),
        (PointSeen(-11_000.0, False, at(1)), "-11.00 kV"),
        (PointSeen(None, True, at(1)), "more than can be shown"),
        (PointSeen(9.9, True, at(1)), "more than can be shown"),
    ],
)
@pytest.mark.parametrize("leave", [live, checking])
def test_above_the_ceiling_is_said_in_figures(leave, seen, shown):
    """Also at the check; the number beside an overload is not believed."""
    state = run(leave(), seen)
    assert (state.phase, state.reason) == (HoldPhase.LAPSED, f"A4 TP40 at {shown}, ceiling 10.40 kV")


def test_at_the_limit_is_not_below_it():
    """Below means below, on both sides of nothing."""
    at_limit = [PointSeen(42.4 if n % 2 else -42.4, False, at(n)) for n in range(10)]
    assert run(checking(), *at_limit).phase is HoldPhase.CHECKING
    below = [PointSeen(42.3 if n % 2 else -42.3, False, at(n)) for n in range(4)]
    assert run(checking(), *below).phase is HoldPhase.SHUT


def test_three_readings_over_exactly_three_seconds_are_enough_and_two_are_not():
    state = run(checking(), PointSeen(1.0, False, at(1)), PointSeen(1.0, False, at(4)))
    assert state.phase is HoldPhase.CHECKING
    state, effects = step(state, PointSeen(1.0, False, at(4)))
    assert (state.phase, effects) == (HoldPhase.SHUT, (Revoke("seen below the limit"),))
    short = run(checking(), *(PointSeen(1.0, False, at(now)) for now in (1, 2, 3.999)))
    assert short.phase is HoldPhase.CHECKING


@pytest.mark.parametrize("between", [(None, True), (None, False), (float("nan"), False)])
def test_what_is_no_number_starts_the_row_below_the_limit_again(between):
    """Overload, an empty reading, not-a-number: none of them is below anything."""
    row = [(1.0, False), (1.0, False), between, (1.0, False), (1.0, False)]
    events = [PointSeen(value, overload, at(2 * n)) for n, (value, overload) in enumerate(row)]
    assert run(checking(OPEN), *events).phase is HoldPhase.CHECKING


def test_each_acknowledgement_is_one_effect():
    """Given once, taken once."""
    assert step(asked(), Typed(EHT.phrase, MARIT, at(0)))[1] == (Mint(),)
    assert step(asked_again(), Typed(EHT.phrase, MARIT, at(0)))[1] == (Mint(),)
    assert step(live(), Happened(HoldMove.LEFT, at(0)))[1] == (Revoke("left"),)
    assert step(asked(), Typed("y", MARIT, at(0)))[1] == ()


class Bench:
    def all_doubles(self):
        return False


def held():
    point = HoldPoint(SimClock(), Bench())
    point.reach(EHT)
    point.answer(EHT.phrase, name="Marit", attended=True, acts_for_person=False)
    return point


def test_a_new_hold_point_holds_no_acknowledgement_and_no_reason():
    point = HoldPoint(SimClock(), Bench())
    assert (point.acknowledgement, point.reason, point.phase) == (None, "", HoldPhase.SHUT)


def test_a_point_that_is_being_asked_about_is_not_reached_again():
    """Two questions at once would be an error of the program."""
    point = HoldPoint(SimClock(), Bench())
    point.reach(EHT)
    with pytest.raises(RuntimeError, match="cannot take"):
        point.reach(EHT)


def test_a_reading_tells_the_phase_and_the_reason_after_it():
    point = held()
    assert point.see(9400.0, False) is HoldPhase.LIVE
    assert point.see(10_500.0, False) is HoldPhase.LAPSED
    assert point.reason == "A4 TP40 at 10.50 kV, ceiling 10.40 kV"


@pytest.mark.parametrize("phase", ["live", "lapsed", "asked again", "asked off", "checking"])
def test_make_safe_begins_from_every_phase_after_live(phase):
    """Also again, where it was begun before."""
    point = held()
    if phase == "lapsed":
        point.lapse(HoldMove.LEFT)
    if phase == "asked again":
        point.reach(EHT)
    if phase in ("asked off", "checking"):
        point.ask_off()
    if phase == "checking":
        point.answer(EHT.off_phrase, name="Marit", attended=True, acts_for_person=False)
    assert str(point.phase) == phase
    point.ask_off()
    assert point.phase is HoldPhase.ASKED_OFF


def test_each_refusal_says_why_and_what_to_do_next():
    """In words that a person at the bench can follow."""
    point = held()
    kept, now = point.acknowledgement, point.moment()
    late = Moment(now.now + 1000.0, now.stamp + timedelta(seconds=1000.0))
    for asked_for, words in (
        (("eht", "set-eht", late), "older than 900 s. Acknowledge the hold point again."),
        (("eht", "focus", now), "is for step 'set-eht' and 'eht', not for 'focus'. Each hazardous step"),
        (("eht", "set-eht", now, "check"), "is to work, not to check. Make the point safe"),
    ):
        with pytest.raises(Refused) as caught:
            kept.require(*asked_for)
        assert words in str(caught.value)
    point.lapse(HoldMove.LEFT)
    with pytest.raises(Refused, match=r"no longer valid\. Acknowledge the hold point again"):
        kept.require("eht", "set-eht", now)
