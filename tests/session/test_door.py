"""The door to a point: what goes through it, and that it asks at every touch."""

from types import SimpleNamespace

import pytest

from benchrig.clock import SimClock
from benchrig.errors import Refused
from benchrig.holdpoint import Exposure, HoldMove, HoldPoint, Purpose
from benchrig.session.points import HazardousPoint, SafePoint, listen

EHT = Exposure("eht", "set-eht", "B1", "Marit", "TP40", 9400.0)
ANYWHERE = SimpleNamespace(require=lambda source, hazard: None)


class Tools:
    """Keeps what was opened, and with which guard."""

    def __init__(self):
        self.opened = []

    def all_doubles(self):
        return False

    def feed(self, *what):
        self.opened.append(what)
        return f"feed {len(self.opened)}"

    listen = feed


@pytest.fixture
def hold():
    """(tools, clock, hold point with a live acknowledgement)"""
    tools, clock = Tools(), SimClock()
    point = HoldPoint(clock, tools)
    point.reach(EHT)
    point.answer(EHT.phrase, name="Marit", attended=True, acts_for_person=False)
    return tools, clock, point


def test_a_harmless_point_is_opened_with_its_limits_and_no_guard():
    tools = Tools()
    assert SafePoint("source", "limits").open(tools, ANYWHERE) == "feed 1"
    assert tools.opened == [("source", "limits")]


def test_a_hazardous_point_asks_when_it_is_opened_and_at_every_touch(hold):
    """The guard that goes with the feed dies with the acknowledgement."""
    tools, _, point = hold
    door = HazardousPoint("source", "limits", "eht", "set-eht", point.moment)
    assert door.open(tools, point.acknowledgement) == "feed 1"
    ((source, limits, guard),) = tools.opened
    assert (source, limits) == ("source", "limits")
    guard()
    kept = point.acknowledgement
    point.lapse(HoldMove.PAUSED)
    with pytest.raises(Refused, match="no longer valid"):
        guard()
    with pytest.raises(Refused, match="no longer valid"):
        door.open(tools, kept)
    assert len(tools.opened) == 1


@pytest.mark.parametrize(
    "other",
    [
        {"hazard": "mains"},
        {"step": "focus"},
        {"purpose": Purpose.CHECK},
    ],
)
def test_leave_for_something_else_opens_nothing(hold, other):
    tools, _, point = hold
    door = HazardousPoint(**{
        "source": "source", "limits": None, "hazard": "eht", "step": "set-eht", "moment": point.moment, **other
    })  # fmt: skip
    with pytest.raises(Refused):
        door.open(tools, point.acknowledgement)
    assert tools.opened == []


def test_the_time_is_looked_at_with_every_touch(hold):
    """Nobody has to tick the hold point for that."""
    tools, clock, point = hold
    HazardousPoint("source", None, "eht", "set-eht", point.moment).open(tools, point.acknowledgement)
    clock.sleep_until(900.0)
    tools.opened[0][2]()
    clock.sleep_until(900.5)
    with pytest.raises(Refused, match="older than 900 s"):
        tools.opened[0][2]()


def soak(hazard):
    return SimpleNamespace(hazard=hazard, id="set-eht", title="Soak", channels=(), catches=())


def test_a_harmless_soak_is_listened_to_without_a_guard(hold):
    tools, _, point = hold
    assert listen(tools, soak(None), soak(None), None, point.moment, ANYWHERE) == "feed 1"
    assert tools.opened == [((), ())]


def test_a_hazardous_soak_without_an_acknowledgement_opens_nothing(hold):
    tools, _, point = hold
    with pytest.raises(Refused) as refused:
        listen(tools, soak("eht"), soak("eht"), None, point.moment, ANYWHERE)
    assert refused.value.message == "Soak: no acknowledgement."
    assert refused.value.next_step == "Acknowledge the hold point first."
    with pytest.raises(Refused, match="by itself"):
        listen(tools, soak("mains"), soak("mains"), point.acknowledgement, point.moment, ANYWHERE)
    assert tools.opened == []


def test_a_hazardous_soak_asks_at_every_touch(hold):
    tools, _, point = hold
    assert listen(tools, soak("eht"), soak("eht"), point.acknowledgement, point.moment, ANYWHERE) == "feed 1"
    ((channels, catches, guard),) = tools.opened
    assert (channels, catches) == ((), ())
    guard()
    point.lapse(HoldMove.LINK_LOST)
    with pytest.raises(Refused, match="no longer valid"):
        guard()
