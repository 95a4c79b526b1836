"""The session's table: every path that exists is walked, and none leads past a hold point or past make-safe."""

from collections import deque
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig import holdmachine as hold
from benchrig.session import machine
from benchrig.session.machine import LIVE, OVER, TRANSITIONS, Session, SessionMove, SessionPhase

EHT = hold.Exposure("eht", "s", "SK14-0231", "Marit", "A4 TP40", 9400.0, ceiling=10400.0)
MARIT = hold.Person("Marit", True, False, False)
AT = hold.Moment(0.0, datetime(2026, 1, 5, tzinfo=UTC))


def joint_moves(session, point):
    """Everything that can happen next to a session and its hold point together, as the guard moves them."""
    found = []

    def both(move, *events, hazard=""):
        try:
            after = machine.step(session, move, hazard=hazard)
            now = point
            for event in events:
                now, _ = hold.step(now, event)
        except RuntimeError:
            return
        found.append((move, after, now))

    left = hold.Happened(hold.HoldMove.LEFT, AT)
    asked, words, off = hold.Reached(EHT, AT), hold.Typed(EHT.phrase, MARIT, AT), hold.Typed(EHT.off_phrase, MARIT, AT)
    for wrong in ("", "y", EHT.off_phrase):
        if point.phase in hold.ASKING:
            try:
                now, _ = hold.step(point, hold.Typed(wrong, MARIT, AT))
                found.append(("typed", session, now))
            except RuntimeError:
                pass
    both(SessionMove.BEGIN)
    both(SessionMove.REACH, asked, hazard="eht")
    if point.phase in (hold.HoldPhase.ASKED, hold.HoldPhase.ASKED_AGAIN):
        both(SessionMove.ACKNOWLEDGED, words)
        both(SessionMove.REFUSED, hold.Typed(None, MARIT, AT))
    both(SessionMove.DONE, *([left] if session.phase is SessionPhase.LIVE_WORKING else []))
    both(SessionMove.LAPSED, left)
    both(SessionMove.CUT, *([left] if session.phase in (SessionPhase.LIVE_WORKING, SessionPhase.SECURING) else []))
    both(SessionMove.PAUSE)
    both(SessionMove.RESUME)
    both(SessionMove.END)
    both(SessionMove.SECURE, hold.Happened(hold.HoldMove.MAKE_SAFE, AT))
    if point.phase is hold.HoldPhase.CHECKING:
        both(SessionMove.SECURED, hold.Happened(hold.HoldMove.BELOW_LIMIT, AT))
    if point.phase is hold.HoldPhase.ASKED_OFF:
        found.append(("off", session, hold.step(point, off)[0]))
    both(SessionMove.NOT_SECURED, left)
    return found


def test_no_path_reads_without_acknowledgement_or_puts_hands_in_before_make_safe():
    """Exhaustive over the joint states: session and hold point together."""
    start = (Session(), hold.HoldState())
    seen, todo = {}, deque([(start, False)])
    while todo:
        (session, point), was_live = todo.popleft()
        key = (session.phase, session.hazard, bool(session.ending), point.phase, min(point.wrong, 2), was_live)
        if key in seen:
            continue
        seen[key] = True
        readable = point.phase in hold.READABLE
        assert not readable or was_live or point.phase is hold.HoldPhase.LIVE
        if session.phase is SessionPhase.LIVE_WORKING:
            assert point.phase is hold.HoldPhase.LIVE
        if was_live:
            assert session.phase in LIVE
            assert not session.hands_may_go_in
        for move, after, now in joint_moves(session, point):
            live = (was_live or now.phase is hold.HoldPhase.LIVE) and move is not SessionMove.SECURED
            todo.append(((after, replace(now, reason="")), live))
    phases = {key[0] for key in seen}
    assert phases == set(SessionPhase)  # the search did reach everything
    print(f"{len(seen)} joint states")


def test_only_an_acknowledgement_leads_to_work_at_a_live_point():
    """Read off the table."""
    assert {move for (_, move), after in TRANSITIONS.items() if after is SessionPhase.LIVE_WORKING} == {
        SessionMove.ACKNOWLEDGED
    }


def test_only_make_safe_leads_out_of_a_live_phase():
    ways = {(a, m) for (a, m), b in TRANSITIONS.items() if a in LIVE and b not in LIVE}
    assert ways == {(SessionPhase.SECURING, SessionMove.SECURED)}


@pytest.mark.parametrize("phase", SessionPhase)
@pytest.mark.parametrize("move", SessionMove)
def test_a_move_that_is_not_in_the_table_raises(phase, move):
    session = Session(phase, "eht")
    if (phase, move) in TRANSITIONS:
        assert machine.step(session, move, hazard="eht").phase is TRANSITIONS[phase, move]
    else:
        with pytest.raises(RuntimeError, match="cannot"):
            machine.step(session, move, hazard="eht")


def test_no_other_hazard_is_reached_while_one_is_live():
    with pytest.raises(RuntimeError, match="made safe before"):
        machine.step(Session(SessionPhase.LIVE_READY, "eht"), SessionMove.REACH, hazard="mains")


@pytest.mark.parametrize("move", [SessionMove.REFUSED, SessionMove.CUT])
def test_an_ending_session_begins_nothing(move):
    session = machine.step(machine.step(Session(), SessionMove.REACH, hazard="eht"), move)
    for begin in (SessionMove.BEGIN, SessionMove.REACH):
        with pytest.raises(RuntimeError):
            machine.step(session, begin, hazard="eht")


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_random_walks_keep_hands_out_of_live_points(data):
    """The same promise on random walks with the clock moving and readings coming."""
    session, point, was_live, now = Session(), hold.HoldState(), False, 0.0
    for _ in range(60):
        if session.phase in OVER:
            return
        moves = joint_moves(session, replace(point, granted=AT if point.granted else None))
        if not moves:
            return
        move, session, point = data.draw(st.sampled_from(moves))
        was_live = (was_live or point.phase is hold.HoldPhase.LIVE) and move is not SessionMove.SECURED
        now += data.draw(st.floats(0, 400))
        later = hold.Moment(now, AT.stamp + timedelta(seconds=now))
        if session.phase is SessionPhase.LIVE_WORKING:
            seen, _ = hold.step(point, hold.PointSeen(data.draw(st.floats(0, 12000)), False, later))
            if seen.phase is not hold.HoldPhase.LIVE:
                session, point = machine.step(session, SessionMove.LAPSED), seen
        assert session.hands_may_go_in is not was_live or session.phase is SessionPhase.READY
        assert session.phase is not SessionPhase.LIVE_WORKING or point.phase is hold.HoldPhase.LIVE
