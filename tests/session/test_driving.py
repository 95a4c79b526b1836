"""The one loop: what is taken goes in, event by event, until the engine is over or the time is up."""

from benchrig.clock import SimClock
from benchrig.events import LinkDown, LinkUp
from benchrig.readings import Reading
from benchrig.session.driving import drive, moments
from benchrig.trim.types import Measured, Restart, Tick


class Told:
    """A driven thing that keeps what happens to it, and is over at the event `last`."""

    def __init__(self, last=None):
        self.last = last
        self.log = []
        self.over = False

    def events(self, got):
        return got

    def step(self, event):
        self.log.append(event)
        self.over = event == self.last

    def looked(self, got):
        self.log.append(("looked", tuple(got)))


def test_nothing_goes_in_after_the_end_and_the_end_is_looked_at():
    told, rows = Told(last="c"), iter([("a", "b"), (), ("c", "d"), ("e",)])
    drive(told, lambda: next(rows), SimClock())
    assert told.log == ["a", "b", ("looked", ("a", "b")), ("looked", ()), "c", ("looked", ("c", "d"))]
    assert next(rows) == ("e",)


def test_it_ends_when_its_time_is_up():
    clock, told = SimClock(), Told()
    began = clock.now()

    def take():
        clock.sleep_until(clock.now() + 1.0)
        return (clock.now() - began,)

    drive(told, take, clock, began + 2.5)
    assert [it for it in told.log if isinstance(it, float)] == [1.0, 2.0, 3.0]


def test_a_link_that_is_back_makes_what_was_seen_before_count_no_more():
    reading = Reading(1.0, "V", 3.0)
    assert moments(reading, 5.0) == (Measured(reading, 5.0),)
    assert moments(None, 5.0) == (Tick(5.0),)
    assert moments(LinkDown(2.0, "meter", "unplugged"), 5.0) == (LinkDown(5.0, "meter", "unplugged"),)
    assert moments(LinkUp(4.0, "meter", 2.0), 5.0) == (LinkUp(5.0, "meter", 2.0), Restart(5.0))
