"""The end of a trimmer's travel: told after turning without effect and never of idle hands; from then on, back off."""

from __future__ import annotations

import random
from itertools import pairwise

import pytest

from benchrig.readings import Reading
from benchrig.trim import engine
from benchrig.trim.types import Cue, EndOfTravel, Goal, Known, Measured, Restart, Turned, Way

UPWARDS = {Cue.UP, Cue.SLOW_UP}
DOWNWARDS = {Cue.DOWN, Cue.SLOW_DOWN, Cue.PASSED}
STOP_AT = 8.0
PER_DEGREE = STOP_AT / 270.0
GOAL = Goal(9.0, 8.9, 9.1, "V", hold=1.0, settle=0.1)


class Bench:
    """A trimmer of 0..STOP_AT volts, turned by a hand that does what the cue says one reaction later."""

    def __init__(self, rate: float = 5.0, noise: float = 0.002, at: float = 6.0, speed: float = 0.5, goal: Goal = GOAL):
        self.state = engine.start(goal, 0.0)
        self.rate, self.noise, self.at, self.speed = rate, noise, at, speed
        self.random = random.Random(1)
        self.now, self.next, self.pressed = 0.0, 0.0, 0.0
        self.asks, self.asked_at, self.left = 0, 0.0, 0.0
        self.seen: list[tuple[float, Cue]] = []
        self.effects: list[object] = []

    def go(self, seconds: float, idle: bool = False) -> None:
        until = self.now + seconds
        while self.now < until:
            self.now += 0.02
            view = engine.view(self.state, self.now)
            cue = view.cue
            self.seen.append((self.now, cue))
            if view.asks != self.asks and view.asked is not None:
                self.asks, self.asked_at, self.left = view.asks, self.now, view.asked
            acts = [known for at, known in self.seen if at <= self.now - 0.25]
            if not idle and self.left and self.now >= self.asked_at + 0.6:
                step = min(max(self.left, -100.0 * 0.02), 100.0 * 0.02)
                self.left -= step
                self.left = self.left if abs(self.left) > 1e-9 else 0.0
                self.pressed += 0.02 if step > 0.0 and self.at >= STOP_AT else 0.0
                self.at = min(max(self.at + step * PER_DEGREE, 0.0), STOP_AT)
            elif acts and not idle:
                way = 1.0 if acts[-1] in UPWARDS else -1.0 if acts[-1] in DOWNWARDS else 0.0
                self.pressed += 0.02 if way > 0.0 and self.at >= STOP_AT else 0.0
                self.at = min(max(self.at + way * self.speed * 0.02, 0.0), STOP_AT)
            if self.now >= self.next:
                self.next += 1.0 / self.rate
                value = self.at + self.random.gauss(0.0, self.noise)
                reading = Reading(value, "V", self.now, resolution=1e-4, aperture=0.5 / self.rate)
                self.state, found = engine.step(self.state, Measured(reading, self.now))
                self.effects += found

    @property
    def cues(self) -> list[Cue]:
        return [cue for _, cue in self.seen]

    @property
    def ends(self) -> list[EndOfTravel]:
        return [it for it in self.effects if isinstance(it, EndOfTravel)]


@pytest.mark.parametrize("rate", [1.3, 3.0, 10.0, 50.0])
@pytest.mark.parametrize("start", [2.0, 6.0, 7.9, 8.0])
def test_a_target_beyond_the_stop_ends_with_that_finding_and_no_cue_leads_to_the_stop_again(rate, start):
    bench = Bench(rate, at=start)
    bench.go(80.0)
    (found,) = bench.ends
    assert found.value == pytest.approx(STOP_AT, abs=0.02)
    assert found.way > 0.0
    first = bench.cues.index(Cue.END_STOP)
    assert set(bench.cues[first:]) == {Cue.END_STOP}


@pytest.mark.parametrize("rate", [1.3, 3.0, 10.0, 50.0])
@pytest.mark.parametrize("start", [2.0, 6.0, 7.9, 8.0])
def test_the_stop_is_pressed_for_a_few_seconds_at_most(rate, start):
    """A brittle trimmer: the cue may lead to its stop while nobody knows of it, and once more to be sure."""
    bench = Bench(rate, at=start)
    bench.go(80.0)
    assert bench.pressed <= 13.0


@pytest.mark.parametrize("rate", [1.3, 10.0])
def test_idle_hands_are_no_end_of_travel_however_long(rate):
    """Turned for a while, then called away: nothing is told, and no alarm stands on the screen."""
    bench = Bench(rate, at=2.0)
    bench.go(4.0)
    assert bench.at > 2.2
    bench.go(120.0, idle=True)
    assert not bench.ends
    assert not {Cue.END_STOP, Cue.DEAD} & set(bench.cues)
    goal_within = Bench(rate, at=2.0, goal=Goal(7.0, 6.9, 7.1, "V", hold=1.0, settle=0.1))
    goal_within.go(3.0)
    goal_within.go(40.0, idle=True)
    goal_within.go(60.0)
    assert goal_within.state.cue is Cue.ACCEPTED


@pytest.mark.parametrize("rate", [1.3, 10.0])
def test_hands_that_were_never_there_are_told_nothing_as_fact(rate):
    bench = Bench(rate, at=2.0)
    bench.go(60.0, idle=True)
    assert not {Cue.END_STOP, Cue.DEAD} & set(bench.cues)
    hint = engine.view(bench.state, bench.now).hint
    assert any(words in hint for words in ("no movement seen", "nothing seen of it", "to see whether it turns"))


@pytest.mark.parametrize("rate", [1.3, 3.0, 10.0, 50.0])
def test_with_the_hands_still_the_cue_stands_still_too(rate):
    """Idle for a minute: no STOP flashes, and the cue changes a handful of times at most."""
    bench = Bench(rate, at=2.0)
    bench.go(60.0, idle=True)
    changes = sum(a is not b for a, b in pairwise(bench.cues))
    assert Cue.STOP not in bench.cues
    assert changes <= 4


def test_nothing_moves_is_said_once_the_person_tells_of_a_turn():
    bench = Bench(at=2.0)
    bench.go(5.0, idle=True)
    state, _ = engine.step(bench.state, Turned(Way.CLOCKWISE, bench.now))
    assert state.cue is Cue.DEAD


def test_a_trimmer_that_is_regripped_goes_on():
    """A pause of two seconds in the middle of a turn, at the same place, is a hand that takes a new grip."""
    bench = Bench(10.0, at=2.0)
    for _ in range(8):
        bench.go(1.0)
        bench.go(2.0, idle=True)
    bench.go(60.0)
    assert bench.ends[0].value == pytest.approx(STOP_AT, abs=0.02)


def test_the_end_outlives_the_hands_that_back_off_and_only_a_restart_begins_again():
    bench = Bench(at=7.0)
    bench.go(60.0)
    bench.at = 5.0
    bench.go(20.0, idle=True)
    assert bench.cues[-1] is Cue.END_STOP
    state, _ = engine.step(bench.state, Restart(bench.now))
    assert state.cue is Cue.WAIT


def test_the_end_is_kept_for_the_report():
    bench = Bench(at=7.0)
    bench.go(60.0)
    known = engine.learned(bench.state)
    assert known.ends == pytest.approx(STOP_AT, abs=0.02)
    assert engine.start(GOAL, 0.0, Known(ends=8.0)).known.ends is None
