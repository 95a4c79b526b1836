"""A supply is believed when its terminals show it."""

import pytest

from benchrig.clock import SimClock
from benchrig.errors import LinkLost
from benchrig.readings import Reading
from benchrig.session.switching import SEEN_WITHIN, switched


class Supply:
    """`obeys`: what it says; `follows` s after which its terminals do; None never."""

    def __init__(self, clock, obeys=True, follows=0.0, gone=False):
        self.clock, self.obeys, self.follows, self.gone = clock, obeys, follows, gone
        self.on, self.at, self.before = True, 0.0, True

    def set_output(self, on, channel=1):
        if self.gone:
            raise LinkLost("no answer")
        if self.obeys:
            self.before, self.on, self.at = self.on, on, self.clock.now()

    def output_is_on(self, channel=1):
        return self.on

    def measure(self, function, deadline, channel=1):
        followed = self.follows is not None and self.clock.now() >= self.at + self.follows
        return Reading(28.0 if (self.on if followed else self.before) else 0.01, "V", self.clock.now())


@pytest.mark.parametrize("on", [True, False])
def test_it_is_sure_when_the_terminals_follow(on):
    """At once, and after a few seconds of discharge."""
    for follows in (0.0, 3.0):
        clock = SimClock()
        supply = Supply(clock, follows=follows)
        supply.on = supply.before = not on
        done = switched(supply, on, clock)
        assert done.sure, done.words
        assert clock.now() <= follows + 1.0


def test_terminals_that_stay_live_are_not_believed():
    """It says off, and 28 V stand there."""
    clock = SimClock()
    done = switched(Supply(clock, follows=None), False, clock)
    assert not done.sure
    assert "28.00 V" in done.words
    assert clock.now() >= SEEN_WITHIN


@pytest.mark.parametrize("supply", [None, "deaf", "gone"])
def test_no_supply_a_deaf_one_and_a_lost_one_are_said(supply):
    """Each in words, nothing raised."""
    clock = SimClock()
    built = {None: None, "deaf": Supply(clock, obeys=False), "gone": Supply(clock, gone=True)}[supply]
    done = switched(built, False, clock)
    assert not done.sure
    assert done.words
