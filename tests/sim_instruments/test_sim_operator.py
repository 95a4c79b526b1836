"""The simulated operator, with the real trim engine before its eyes."""

import random
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from types import SimpleNamespace as Notice
from typing import Any

import pytest
from benchrig.sim_instruments.operator import RefusingOperator, SimulatedOperator
from benchrig.sim_instruments.skerry14 import build
from benchrig.sim_instruments.world import World

from benchrig.clock import RealClock, SimClock
from benchrig.errors import FileError
from benchrig.readings import Reading
from benchrig.session.operators import EntryRequest, HoldRequest, Operator, Question
from benchrig.trim import engine
from benchrig.trim.types import Accepted, Goal, Measured

HOLD = HoldRequest(
    "eht", "EHT", "SK14-0231", "A4 TP40", "9.40 kV", ["It can kill."], ["Isolation transformer"], "A4 TP40 at 9.40 kV"
)
EHT = Goal(9400.0, 9250.0, 9550.0, "V", hold=3.0, settle=1.0, ceiling=10_400.0)
ON_TIME = Goal(14e-6, 13.7e-6, 14.3e-6, "s")
OFF_TIME = Goal(46e-6, 45.4e-6, 46.6e-6, "s")
ZERO = Goal(0.0, -2e-3, 2e-3, "V", span=0.12, travel=7200.0)


@dataclass
class Job:
    """One step of a session, played without a session."""

    clock: SimClock
    world: World
    person: SimulatedOperator
    chance: random.Random = field(default_factory=lambda: random.Random(1))

    def start(self, trimmer: str, point: str, instrument: str, channel: int | None = None, probe: str = "") -> None:
        connection = Notice(instrument=instrument, channel=channel, point=point, probe=probe)
        self.person.notify(started(trimmer=trimmer, point=point, connections=(connection,)))
        self.clock.sleep_until(self.clock.now() + 1.5)

    def trim(self, trimmer: str, goal: Goal, truth: str, noise: float, every: float = 0.1) -> bool:
        """Readings of the true value with noise, cues of the engine, the operator's hand; True once accepted."""
        state = engine.start(goal, self.clock.now())
        end = self.clock.now() + 90.0
        while self.clock.now() < end:
            self.clock.sleep_until(self.clock.now() + every)
            now = self.clock.now()
            value = self.world.truth(truth) + self.chance.gauss(0.0, noise)
            state, effects = engine.step(state, Measured(Reading(value, goal.unit, now, aperture=every / 2), now))
            view = engine.view(state, now)
            self.person.notify(Notice(kind="trim", step=truth, goal=goal, view=view, trimmer=trimmer))
            if any(isinstance(effect, Accepted) for effect in effects):
                self.person.notify(Notice(kind="step ended"))
                return True
        return False


def started(**facts: Any) -> Any:
    usual = {"kind": "step started", "step": "s", "step_kind": "trim", "title": "", "instruction": "", "trimmer": ""}
    return Notice(**(usual | {"point": "", "connections": (), "card": "", "conditions": ()} | facts))


def at_the_bench(seed: int = 1, kind: type[SimulatedOperator] = SimulatedOperator) -> Job:
    clock = SimClock(100.0)
    world = build(clock, seed)
    clock.sleep_until(105.0)
    return Job(clock, world, kind(world.hands, clock, seed=seed))


def test_it_is_an_operator_and_says_that_it_is_simulated() -> None:
    """The session's own protocol; attended, and known to act for a person."""
    job = at_the_bench()
    person: Operator = job.person
    assert "simulated" in person.name
    assert person.attended
    assert person.acts_for_person
    assert list(person.commands()) == []


@pytest.mark.parametrize("seed", range(8))
def test_every_trim_of_the_short_adjustment_comes_in(seed: int) -> None:
    """Timer, EHT and zero end inside their windows by the chassis's truth, nobody is hurt on the way."""
    job = at_the_bench(seed)
    job.start("RV43", "A4 TP42", "scope", 2)
    assert job.trim("RV43", ON_TIME, "A4 TP42", 20e-9)
    job.start("RV44", "A4 TP42", "scope", 2)
    assert job.trim("RV44", OFF_TIME, "A4 TP42 low", 20e-9)
    job.start("RV41", "A4 TP40", "meter", probe="eht_probe")
    assert job.trim("RV41", EHT, "A4 TP40", 1.0, every=0.25)
    job.start("RV21", "A2 TP21", "scope", 1)
    assert job.trim("RV21", ZERO, "A2 TP21", 0.1e-3)
    for truth, goal in (("A4 TP42", ON_TIME), ("A4 TP42 low", OFF_TIME), ("A4 TP40", EHT), ("A2 TP21", ZERO)):
        assert goal.low <= job.world.truth(truth) <= goal.high
    assert job.world.hands.incidents == []


def test_same_seed_same_hand() -> None:
    """The whole run ends with the same positions and at the same moment."""
    ends = []
    for _ in range(2):
        job = at_the_bench(3)
        job.start("RV43", "A4 TP42", "scope", 2)
        assert job.trim("RV43", ON_TIME, "A4 TP42", 20e-9)
        ends.append((job.clock.now(), job.world.hands.position("RV43")))
    assert ends[0] == ends[1]


def test_probe_goes_on_the_anode_only_with_the_power_off() -> None:
    """Off, discharged, probe on, on again; and the same way back."""
    job = at_the_bench()
    job.start("RV41", "A4 TP40", "meter", probe="eht_probe")
    assert job.world.hands.probes()["meter"] == ("A4 TP40", "eht_probe")
    assert job.world.hands.powered()
    job.start("", "A1 TP1", "meter")
    assert job.world.hands.probes()["meter"] == ("A1 TP1", "")
    assert job.world.hands.incidents == []


def test_nothing_is_switched_on_before_a_hold_point() -> None:
    """In a hazardous step the probe goes on with the power off, and off it stays until the session asks for power."""
    job = at_the_bench()
    connection = Notice(instrument="meter", channel=None, point="A4 TP40", probe="eht_probe")
    job.person.notify(started(connections=(connection,), conditions=("powered",), hazard="eht"))
    job.clock.sleep_until(job.clock.now() + 3.0)
    assert not job.world.hands.powered()
    assert job.world.truth("A4 TP40") < 42.4
    job.person.choose(Question("s", "Switch the unit on.", ("on", "not on"), "power on"))
    assert job.world.hands.powered()


def test_phrase_is_typed_and_what_the_hold_point_lists_is_put_in_place() -> None:
    """The refusing one does neither."""
    job = at_the_bench()
    assert job.person.acknowledge(HOLD) == "A4 TP40 at 9.40 kV"
    assert "Isolation transformer" in job.world.hands.in_place
    refusing = at_the_bench(kind=RefusingOperator)
    assert refusing.person.acknowledge(HOLD) is None
    assert refusing.world.hands.in_place == set()


def test_looking_that_it_is_safe_begins_with_making_it_so() -> None:
    """A hold point of purpose "check": off and discharged before the words are typed."""
    job = at_the_bench()
    check = HoldRequest("safe", "", "", "A4 TP40", "0 V", [], [], "A4 TP40 is dead", purpose="check")
    assert job.person.acknowledge(check) == "A4 TP40 is dead"
    assert not job.world.hands.powered()
    assert job.world.truth("A4 TP40") < 42.4


def test_hands_off_means_off() -> None:
    """Not one degree more, whatever the gauge still shows, until it shows something new."""
    job = at_the_bench()
    job.start("RV43", "A4 TP42", "scope", 2)
    state = engine.start(ON_TIME, job.clock.now())
    for _ in range(30):
        job.clock.sleep_until(job.clock.now() + 0.1)
        reading = Reading(job.world.truth("A4 TP42"), "s", job.clock.now())
        state, _ = engine.step(state, Measured(reading, job.clock.now()))
        view = engine.view(state, job.clock.now())
        job.person.notify(Notice(kind="trim", step="s", goal=ON_TIME, view=view, trimmer="RV43"))
    assert job.world.trimmer("RV43").turned > 0.0
    assert job.person.hands_off("s", "look")
    then = job.world.trimmer("RV43").turned
    job.clock.sleep_until(job.clock.now() + 30.0)
    assert job.world.trimmer("RV43").turned == then


@pytest.mark.parametrize(
    ("about", "text", "powered"),
    [
        ("confirm", "Switch the unit off and pull its plug", False),
        ("confirm", "Isolation transformer in, covers off, pattern card in, unit switched on.", True),
        ("confirm", "Discharge the anode to the chassis", False),
        ("power off", "", False),
        ("power on", "", True),
        ("confirm", "Covers off, brightness down", True),
    ],
)
def test_switches_as_it_is_told(about: str, text: str, powered: bool) -> None:
    """By the kind of question, or by its words."""
    job = at_the_bench()
    assert job.person.choose(Question("s", text, about=about)) == "done"
    assert job.world.hands.powered() is powered


def test_a_step_gets_its_card_and_its_state() -> None:
    """Pattern in, unplugged and discharged where that is asked for, powered where that is."""
    job = at_the_bench()
    job.person.notify(started(card="grid", conditions=("unplugged",)))
    assert not job.world.hands.powered()
    assert job.world.truth("A4 TP40") < 42.4
    job.person.notify(started(card="grid", conditions=("powered",)))
    assert job.world.hands.powered()
    node, now = job.world.node("A2 TP21"), job.clock.now()
    job.clock.sleep_until(now + 6.0)
    assert node.rms(now + 3.5, now + 4.5) > 0.5  # on `zero` this would be blank


@pytest.mark.parametrize(
    ("text", "unit", "truth", "within"),
    [
        ("Tile width in the middle row", "m", "tile width", 0.1),
        ("Series resistance of A1 C101", "ohm", "A1 C101", 0.01),
        ("Controller centre code, X axis of the stick", "1", "stick x", 0.51),
    ],
)
def test_answers_from_the_unit_itself(text: str, unit: str, truth: str, within: float) -> None:
    """What it types is what is there, as well as a person reads it."""
    job = at_the_bench()
    job.person.notify(started(conditions=("unplugged",) if unit == "ohm" else ()))
    typed = job.person.enter(EntryRequest("s", text, unit))
    assert typed is not None
    assert float(typed.split()[0]) == pytest.approx(job.world.truth(truth), abs=within)


def test_what_it_does_not_understand_it_does_not_answer() -> None:
    """No number out of thin air."""
    assert at_the_bench().person.enter(EntryRequest("s", "The weight of the mains transformer", "kg")) is None


def test_sets_by_eye_what_is_judged_by_eye() -> None:
    """Asked to turn RV22, it watches the lattice join."""
    job = at_the_bench(2)
    job.person.notify(started(trimmer="RV22", card="lattice"))
    assert abs(job.world.truth("gap vertical")) > 0.3
    answer = job.person.choose(Question("s", "RV22: turn it.", ("turned", "cannot"), "turn"))
    assert answer == "turned"
    assert abs(job.world.truth("gap vertical")) <= 0.3


def test_puts_back_what_it_marked() -> None:
    """To where the mark is."""
    job = at_the_bench()
    job.person.notify(started(trimmer="RV31"))
    place = job.world.hands.position("RV31")
    assert job.person.choose(Question("s", "Mark it.", ("marked", "not marked"), "mark")) == "marked"
    job.world.hands.turn("RV31", 33.0)
    job.person.choose(Question("s", "Put it back.", ("back", "not"), "put back"))
    assert job.world.hands.position("RV31") == pytest.approx(place)


class Counting:
    """Hands that only count."""

    def __init__(self) -> None:
        self.moves: list[float] = []
        self.gone = False

    def turn(self, trimmer: str, degrees: float) -> float:
        if self.gone:
            raise ConnectionError("The simulated bench is gone, or the secret was wrong.")
        self.moves.append(degrees)
        return degrees

    def probes(self) -> dict[str, Sequence[str]]:
        return {"meter": ("A1 TP1", "")}


def view_of_something_to_turn() -> Any:
    view = Notice(value=5.0, stale=False, cue="turn up", turn=None)
    return Notice(kind="trim", step="s", goal=Goal(9.0, 8.9, 9.1, "V"), view=view, trimmer="RV1")


def wait_until(what: Any, seconds: float = 5.0) -> bool:
    end = time.monotonic() + seconds
    while not what():
        if time.monotonic() > end:
            return False
        time.sleep(0.01)
    return True


def test_on_a_real_clock_it_turns_from_a_thread_of_its_own_and_leaves_none_behind() -> None:
    """`notify` returns at once; `close` ends the thread."""
    hands = Counting()
    connections = (Notice(instrument="meter", channel=None, point="A1 TP1", probe=""),)
    with SimulatedOperator(hands, RealClock(), think=0.0) as person:
        person.notify(started(connections=connections))
        person.notify(view_of_something_to_turn())
        assert wait_until(lambda: len(hands.moves) > 3)
        person.hands_off("s", "stop")
        then = len(hands.moves)
        assert not wait_until(lambda: len(hands.moves) != then, seconds=0.3)
    assert not [t for t in threading.enumerate() if t.name == "simulated hand"]


def test_a_bench_that_goes_away_stills_the_hand_and_breaks_nothing() -> None:
    """The reason is kept."""
    hands = Counting()
    hands.gone = True
    connections = (Notice(instrument="meter", channel=None, point="A1 TP1", probe=""),)
    with SimulatedOperator(hands, RealClock(), think=0.0) as person:
        person.notify(started(connections=connections))
        person.notify(view_of_something_to_turn())
        assert wait_until(lambda: person.trouble is not None)
    assert isinstance(person.trouble, ConnectionError)


def test_a_point_or_a_control_that_is_not_there_is_told_in_the_words_of_a_mistake() -> None:
    """A name misspelt in a procedure ends its rehearsal with the names there are, and with no traceback."""
    job = at_the_bench()
    with pytest.raises(FileError, match=r"There is no test point 'A1 TP99' here. There are: .*A1 TP1,"):
        job.start("RV41", "A1 TP99", "meter")
    job.start("RV99", "A4 TP42", "scope", 2)
    assert not job.trim("RV99", ON_TIME, "A4 TP42", 20e-9)
    with pytest.raises(FileError, match=r"There is no control 'RV99' here. There are: .*RV41"):
        job.person.commands()
