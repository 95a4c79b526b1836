"""The hold point's machine: every move in every phase, who may answer, and what ends an acknowledgement."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from benchrig.holdmachine import (
    ATTEMPTS,
    GRACE,
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

ORIGIN = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
EHT = Exposure("eht", "set-eht", "SK14-0231", "Marit", "A4 TP40", 9400.0, ceiling=10400.0)
MARIT = Person("Marit", attended=True, acts_for_person=False, at_doubles=False)


def at(now, skew=0.0):
    return Moment(now, ORIGIN + timedelta(seconds=now + skew))


def run(*events, state=None):
    """The state and all effects after some events."""
    state, seen = state or HoldState(), []
    for event in events:
        state, effects = step(state, event)
        seen += effects
    return state, seen


def live(now=0.0):
    return run(Reached(EHT, at(now)), Typed(EHT.phrase, MARIT, at(now)))[0]


def checking(now=0.0):
    asked = run(Happened(HoldMove.LEFT, at(now)), Happened(HoldMove.MAKE_SAFE, at(now)), state=live(now))[0]
    return run(Typed(EHT.off_phrase, MARIT, at(now)), state=asked)[0]


def test_the_phrase_names_the_point_and_the_voltage():
    """Nobody types it without having read which point and how much."""
    assert EHT.phrase == "A4 TP40 is live at 9.40 kV"


@pytest.mark.parametrize(
    "words", ["A4 TP40 is live at 9.40 kV", "a4 tp40  IS live at 9.40 KV", "  A4 TP40 is live at 9.40 kV\n"]
)
def test_only_letter_case_and_spaces_are_forgiven(words):
    """A typist's slips that cannot change the meaning."""
    state, effects = run(Reached(EHT, at(0)), Typed(words, MARIT, at(0)))
    assert state.phase is HoldPhase.LIVE
    assert effects == [Mint()]


@pytest.mark.parametrize(
    "words",
    ["", "y", "yes", "Y", "\n", "A4 TP40", "A4 TP40 is live at 9.4 kV", "A4 TP40 is live at 9.40kV",
     "A4 TP41 is live at 9.40 kV", "A4 TP40 is live at 9.40 kV.", "is live at 9.40 kV", "ok"],
)  # fmt: skip
def test_near_misses_do_not_open(words):
    """Enter and `y` least of all."""
    state, effects = run(Reached(EHT, at(0)), Typed(words, MARIT, at(0)))
    assert state.phase is HoldPhase.ASKED
    assert effects == []


def test_too_many_wrong_sentences_are_a_refusal():
    """Guessing does not wear the question out."""
    wrong = [Typed("open", MARIT, at(0))] * ATTEMPTS
    state, effects = run(Reached(EHT, at(0)), *wrong)
    assert state.phase is HoldPhase.SHUT
    assert "other words" in state.reason
    assert effects == []


@pytest.mark.parametrize(
    ("person", "why"),
    [
        (replace(MARIT, attended=False), "nobody"),
        (replace(MARIT, attended=False, acts_for_person=True, at_doubles=True), "nobody"),
        (replace(MARIT, acts_for_person=True), "real instruments"),
        (replace(MARIT, name="Olaf"), "answered by Olaf"),
    ],
)
def test_who_may_not_acknowledge_is_refused_whatever_is_typed(person, why):
    """The right words from the wrong one change nothing."""
    state, effects = run(Reached(EHT, at(0)), Typed(EHT.phrase, person, at(0)))
    assert state.phase is HoldPhase.SHUT
    assert why in state.reason
    assert effects == []


def test_a_stand_in_may_acknowledge_where_everything_is_a_double():
    person = replace(MARIT, acts_for_person=True, at_doubles=True)
    assert run(Reached(EHT, at(0)), Typed(EHT.phrase, person, at(0)))[0].phase is HoldPhase.LIVE


@pytest.mark.parametrize("move", LAPSES)
def test_each_lapse_takes_the_acknowledgement_and_keeps_hands_out(move):
    """Live means live until it was made safe."""
    state, effects = run(Happened(move, at(1)), state=live())
    assert state.phase is HoldPhase.LAPSED
    assert effects == [Revoke(str(move))]
    assert state.phase not in HANDS_MAY_GO_IN


@pytest.mark.parametrize(
    ("event", "reason"),
    [
        (HoldTick(at(900.5)), "older than 900 s"),
        (HoldTick(at(10, skew=3)), "clock jumped"),
        (HoldTick(at(10, skew=-3)), "clock jumped"),
        (HoldTick(at(-1)), "clock jumped"),
        (PointSeen(10401.0, False, at(1)), "ceiling"),
        (PointSeen(-10401.0, False, at(1)), "ceiling"),
        (PointSeen(None, True, at(1)), "more than can be shown"),
        (PointSeen(9400.0, False, at(901)), "older"),
    ],
)
def test_what_ends_an_acknowledgement_by_itself(event, reason):
    """Age, a jumped clock, a reading above the ceiling."""
    state, effects = run(event, state=live())
    assert state.phase is HoldPhase.LAPSED
    assert reason in state.reason
    assert len(effects) == 1


def test_a_voltage_that_vanishes_is_a_probe_that_came_off():
    """Nothing on the meter is no proof of nothing at the point."""
    state, _ = run(PointSeen(9400.0, False, at(1)), PointSeen(3.0, False, at(2)), state=live())
    assert state.phase is HoldPhase.LAPSED
    assert "probe off" in state.reason


def test_power_may_come_on_after_the_acknowledgement_but_not_for_ever():
    """The probe goes on with the power off, so the first readings are nothing."""
    assert run(PointSeen(0.0, False, at(GRACE)), state=live())[0].phase is HoldPhase.LIVE
    assert run(PointSeen(0.0, False, at(GRACE + 0.1)), state=live())[0].phase is HoldPhase.LAPSED


@pytest.mark.parametrize("value", [9400.0, 10400.0, 100.0])
def test_readings_in_bounds_change_nothing(value):
    state, effects = run(PointSeen(value, False, at(1)), state=live())
    assert state.phase is HoldPhase.LIVE
    assert effects == []


def test_safe_means_below_the_limit_for_a_while():
    """Three readings over three seconds; one above starts again."""
    state = checking()
    assert state.phase is HoldPhase.CHECKING
    for now, value in ((1, 50.0), (2, 10.0), (3, 10.0), (4, 43.0), (5, 10.0), (6, 10.0), (7, 10.0)):
        state, effects = step(state, PointSeen(value, False, at(now)))
        assert state.phase is HoldPhase.CHECKING
        assert effects == ()
    state, effects = step(state, PointSeen(5.0, False, at(8)))
    assert state.phase is HoldPhase.SHUT
    assert [type(e) for e in effects] == [Revoke]


def test_three_quick_readings_are_not_a_while():
    """Dielectric absorption brings charge back; a glance is not enough."""
    events = [PointSeen(1.0, False, at(0.1 * n)) for n in range(30)]
    assert run(*events, state=checking())[0].phase is HoldPhase.CHECKING


def test_live_words_do_not_pass_for_off_words():
    """Each question has its own sentence."""
    state = run(Happened(HoldMove.LEFT, at(0)), Happened(HoldMove.MAKE_SAFE, at(0)), state=live())[0]
    assert run(Typed(EHT.phrase, MARIT, at(0)), state=state)[0].phase is HoldPhase.ASKED_OFF


@pytest.mark.parametrize("phase", HoldPhase)
@pytest.mark.parametrize("move", HoldMove)
def test_every_move_in_every_phase_is_in_the_table_or_raises(phase, move):
    """No move is ignored by accident."""
    granted = at(0) if phase in READABLE else None
    state = HoldState(phase, EHT, granted)
    if (phase, move) in TRANSITIONS:
        after, effects = step(state, Happened(move, at(1)))
        assert after.phase is TRANSITIONS[phase, move]
        assert (Mint() in effects) == (after.phase in READABLE and phase is not after.phase)
    else:
        with pytest.raises(RuntimeError, match="cannot take"):
            step(state, Happened(move, at(1)))


def test_the_only_ways_to_a_readable_phase_are_right_words():
    """Read off the table itself."""
    ways = {move for (phase, move), after in TRANSITIONS.items() if after in READABLE and phase is not after}
    assert ways == {HoldMove.RIGHT_WORDS}


def test_the_only_way_back_from_live_to_hands_is_through_the_check():
    """Every path from a lapse to hands-in passes `checking`."""
    after_live = {HoldPhase.LIVE, HoldPhase.LAPSED, HoldPhase.ASKED_AGAIN, HoldPhase.ASKED_OFF}
    ways = {
        (phase, move)
        for (phase, move), after in TRANSITIONS.items()
        if after in HANDS_MAY_GO_IN and phase not in HANDS_MAY_GO_IN
    }
    assert ways == {(HoldPhase.CHECKING, HoldMove.BELOW_LIMIT)}
    assert all(after not in HANDS_MAY_GO_IN for (phase, _), after in TRANSITIONS.items() if phase in after_live)


@pytest.mark.parametrize("state", [HoldState(), live()])
def test_words_that_nobody_asked_for_are_an_error_of_the_program(state):
    """A sentence typed too early or too late can open nothing."""
    with pytest.raises(RuntimeError, match="was not asking"):
        step(state, Typed(EHT.phrase, MARIT, at(1.0)))


def test_a_reading_means_nothing_where_nothing_may_be_read():
    """Before the acknowledgement no value moves the machine, however high."""
    asked = run(Reached(EHT, at(0.0)))[0]
    assert step(asked, PointSeen(99_000.0, True, at(1.0))) == (asked, ())


def test_no_number_and_no_overload_is_no_move():
    """An empty reading neither opens, closes nor counts as below the limit."""
    state = live()
    assert step(state, PointSeen(None, False, at(1.0)))[0].phase is HoldPhase.LIVE
    state = checking()
    for now in (1.0, 3.0, 5.0, 7.0):
        state, _ = step(state, PointSeen(None, False, at(now)))
    assert state.phase is HoldPhase.CHECKING
