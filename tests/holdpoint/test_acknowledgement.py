"""The capability: who can make one, and when it stops being one."""

import copy
import pickle

import pytest

from benchrig.clock import SimClock
from benchrig.errors import Refused
from benchrig.holdpoint import Acknowledgement, Exposure, HoldMove, HoldPhase, HoldPoint, Purpose

EHT = Exposure("eht", "set-eht", "SK14-0231", "Marit", "A4 TP40", 9400.0, ceiling=10400.0)


class Bench:
    def __init__(self, doubles):
        self.doubles = doubles

    def all_doubles(self):
        return self.doubles


def opened(clock=None, doubles=False):
    point = HoldPoint(clock or SimClock(), Bench(doubles))
    point.reach(EHT)
    assert point.answer(EHT.phrase, name="Marit", attended=True, acts_for_person=False) is HoldPhase.LIVE
    return point


def test_it_opens_its_own_point_and_step_only():
    """Another hazard, or another step, needs its own."""
    point = opened()
    live = point.acknowledgement
    live.require("eht", "set-eht", point.moment())
    assert live.purpose is Purpose.WORK
    with pytest.raises(Refused, match="is to work, not to check"):
        live.require("eht", "set-eht", point.moment(), Purpose.CHECK)
    for hazard, step in (("mains", "set-eht"), ("eht", "check-eht")):
        with pytest.raises(Refused, match="by itself"):
            live.require(hazard, step, point.moment())


@pytest.mark.parametrize("seal", [None, object(), "seal", True])
def test_nobody_else_can_make_one(seal):
    with pytest.raises(TypeError, match="minted"):
        Acknowledgement(seal, EHT, opened().moment(), Purpose.WORK)


@pytest.mark.parametrize("way", [copy.copy, copy.deepcopy, pickle.dumps])
def test_it_cannot_be_kept_or_copied(way):
    with pytest.raises(TypeError, match="cannot be copied"):
        way(opened().acknowledgement)


def test_it_cannot_be_subclassed():
    with pytest.raises(TypeError, match="only one kind"):
        type("Mine", (Acknowledgement,), {})


def test_one_made_around_the_constructor_is_dead():
    """Even with every field in place."""
    point = opened()
    forged = object.__new__(Acknowledgement)
    for name in ("exposure", "granted", "purpose"):
        setattr(forged, name, getattr(point.acknowledgement, name))
    with pytest.raises(Refused, match="no longer valid"):
        forged.require("eht", "set-eht", point.moment())


@pytest.mark.parametrize("move", [HoldMove.LEFT, HoldMove.PAUSED, HoldMove.LINK_LOST])
def test_one_kept_by_somebody_dies_with_the_lapse(move):
    """Revoking reaches every reference."""
    point = opened()
    kept = point.acknowledgement
    point.lapse(move)
    assert point.acknowledgement is None
    with pytest.raises(Refused, match="no longer valid"):
        kept.require("eht", "set-eht", point.moment())


def test_age_ends_it_even_if_nobody_ticks_the_machine():
    """The holder's own check looks at the clock."""
    clock = SimClock()
    point = opened(clock)
    kept = point.acknowledgement
    clock.sleep_until(901.0)
    with pytest.raises(Refused, match="older than 900 s"):
        kept.require("eht", "set-eht", point.moment())
    assert point.acknowledgement is None


def test_reaching_the_next_step_leaves_the_last():
    """One acknowledgement, one step."""
    point = opened()
    kept = point.acknowledgement
    point.reach(EHT)
    assert point.phase is HoldPhase.ASKED_AGAIN
    with pytest.raises(Refused):
        kept.require("eht", "set-eht", point.moment())


def test_the_bench_is_asked_whether_a_stand_in_will_do():
    """Not a flag of the operator, the procedure or the command line."""
    for doubles, phase in ((False, HoldPhase.SHUT), (True, HoldPhase.LIVE)):
        point = HoldPoint(SimClock(), Bench(doubles))
        point.reach(EHT)
        assert point.answer(EHT.phrase, name="Marit", attended=True, acts_for_person=True) is phase


def test_the_check_for_off_needs_its_own_and_gives_hands_back():
    """Off in words, then seen."""
    clock = SimClock()
    point = opened(clock)
    work = point.acknowledgement
    point.ask_off()
    assert not point.hands_may_go_in
    point.answer(EHT.off_phrase, name="Marit", attended=True, acts_for_person=False)
    check = point.acknowledgement
    assert check is not work
    assert check.purpose is Purpose.CHECK
    check.require("eht", "set-eht", point.moment(), Purpose.CHECK)
    with pytest.raises(Refused, match="is to check, not to work"):
        check.require("eht", "set-eht", point.moment())
    for _ in range(4):
        clock.sleep_until(clock.now() + 1.0)
        point.see(2.0, False)
    assert point.phase is HoldPhase.SHUT
    assert point.hands_may_go_in
    assert point.acknowledgement is None


def test_there_is_nothing_to_make_safe_before_anything_was_live():
    with pytest.raises(RuntimeError, match="cannot take"):
        HoldPoint(SimClock(), Bench(True)).ask_off()
