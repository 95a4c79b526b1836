"""A simulated operator: does what a step asks for, turns the trimmers, types the phrase.

Rules kept here: it acts only on what a person would be told (notices, questions), and sees only what a person would
see (the view of a trim, the picture). It says of itself that it is simulated. On a simulated clock it works from
the clock's agenda, on a real one from a thread of its own; either way `notify` returns at once.

The notices are those of a running session; they are told apart by their `kind`, so nothing of the engine is
imported. Whoever handles kilovolts here switches off and discharges first, as anybody should.
"""

from __future__ import annotations

import math
import random
import re
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from benchrig.clock import Clock
from benchrig.errors import FileError

from . import eyes
from .hand import Hand, Sight, Traits
from .motor import TICK, motor_for

ANODE = "A4 TP40"
ASKS_WAY = "which way was that turn?"
_OFF = r"switch(ed)?( the unit| it)? off|unplug|pull(ed)? (its|the) plug"
_ON = r"switch(ed)?( the unit| it)? on"


@dataclass(frozen=True, slots=True)
class Told:
    """What the operator says unasked, in the form of a session's command."""

    verb: str
    words: str = ""


@dataclass(slots=True)
class _Counted:
    """A stated part of a turn: `left` degrees still to make, at `speed` degrees per second, from `begin` on."""

    control: str
    left: float
    speed: float
    begin: float


class SimulatedOperator:
    """Somebody at the simulated bench.

    hands   local or remote hands of that bench
    think   seconds that a question takes
    """

    attended = True
    acts_for_person = True

    def __init__(self, hands: Any, clock: Clock, *, seed: int = 0, think: float = 0.4) -> None:
        self.name = f"simulated operator {seed}"
        self.trouble: Exception | None = None  # why the hand fell still: the bench is gone, or has no such control
        self._hands = hands
        self._clock = clock
        self._think = think
        self._random = random.Random(f"operator {seed}")
        self._person = Traits(
            reaction=self._random.uniform(0.2, 0.35),
            gain=self._random.uniform(0.8, 1.6),
            least_move=self._random.uniform(1.0, 3.0),
        )
        self._step: Any = None
        self._fingers: dict[tuple[str, str], Hand] = {}  # (step, control) -> the hand that has its feel for it
        self._watched: tuple[str, Hand, Sight] | None = None
        self._counted: _Counted | None = None  # a stated part of a turn that is being made
        self._asks: tuple[str, str, int] = ("", "", 0)  # the asking that was followed last
        self._said: list[Told] = []
        self._ways_said: set[tuple[str, str]] = set()
        self._turning = threading.Lock()  # held while the hand moves, so that "hands off" means off
        self._motor = motor_for(clock, self._tick)

    # The operator as a session knows it.

    def acknowledge(self, hold: Any) -> str | None:
        """Put in place what the hold point lists, then type its phrase."""
        self._lift()
        for item in hold.in_place:
            self._hands.fit(item)
        if getattr(hold, "purpose", "work") == "check":
            self._make_safe()
        self._wait(2.0 * self._think)
        phrase: str = hold.phrase
        return phrase

    def choose(self, question: Any) -> str | None:
        """Do what is asked, look, and answer with one of the choices."""
        self._lift()
        self._wait(self._think)
        about = getattr(question, "about", "confirm")
        words = self._words(question)
        controls = self._controls(getattr(question, "trimmer", ""))
        acts: dict[str, Callable[[], None]] = {
            "confirm": lambda: self._act(words),
            "power on": lambda: self._hands.power(True),
            "power off": self._make_safe,
            "mark": lambda: self._mark(controls),
            "turn": lambda: self._turn_by_eye(controls),
            "put back": lambda: self._put_back(controls),
        }
        if about in acts:
            acts[about]()
        if about == "observe":
            return eyes.chosen(self._hands, words, question.choices)
        first: str = question.choices[0]
        return first

    def enter(self, request: Any) -> str | None:
        """Read a quantity off the unit and type it."""
        self._wait(self._think)
        return eyes.typed(self._hands, self._words(request), request.unit)

    def hands_off(self, step: str, reason: str) -> bool:
        """Let go."""
        self._lift()
        self._wait(self._think)
        return True

    def notify(self, notice: Any) -> None:
        """Take in what is told: what a step needs, what the gauge shows."""
        kind = getattr(notice, "kind", "")
        if kind == "step started":
            self._begin(notice)
        elif kind == "trim":
            self._watch(notice)
        elif kind in ("step ended", "job ended", "hold point lapsed"):
            self._lift()

    def commands(self) -> Sequence[Any]:
        """Says which way a turn went, where that is asked, and when a turn that was asked for is done.

        Raises what stilled the hand, where the bench has no such control. (A bench that is gone the session notices.)
        """
        if isinstance(self.trouble, FileError):
            raise self.trouble
        said, self._said = self._said, []
        return said

    def close(self) -> None:
        """Leave the bench. Safe to call twice."""
        self._lift()
        self._motor.close()

    def __enter__(self) -> SimulatedOperator:
        return self

    def __exit__(self, *reason: object) -> None:
        self.close()

    # What a step needs.

    def _begin(self, step: Any) -> None:
        self._lift()
        self._step = step
        conditions = tuple(getattr(step, "conditions", ()))
        if "unplugged" in conditions:
            self._make_safe()
        live = not getattr(step, "hazard", "")  # where something can hurt, power comes after the hold point
        self._connect(tuple(getattr(step, "connections", ())), live)
        if getattr(step, "card", ""):
            self._hands.card(step.card)
        if live and "powered" in conditions:
            self._hands.power(True)

    def _connect(self, connections: Sequence[Any], live: bool) -> None:
        wanted = {_input(c): (c.point, _via(c)) for c in connections if c.point}
        there = {name: tuple(where) for name, where in self._hands.probes().items()}
        moves = {name: where for name, where in wanted.items() if there.get(name) != where}
        if not moves:
            return
        touches_anode = any(ANODE in (where[0], there.get(name, ("", ""))[0]) for name, where in moves.items())
        was_on = self._hands.powered()
        if touches_anode:
            self._make_safe()
        for name, (point, via) in moves.items():
            self._hands.probe(name, point, via)
        if touches_anode and was_on and live:
            self._hands.power(True)

    def _make_safe(self) -> None:
        if self._hands.powered():
            self._hands.power(False)
        self._hands.discharge()

    def _act(self, words: str) -> None:
        """What a confirmation asks for: switching, discharging, cleaning."""
        lower = words.lower()
        off, on = (max((m.end() for m in re.finditer(p, lower)), default=-1) for p in (_OFF, _ON))
        if off > on or "discharge" in lower:
            self._make_safe()
        elif on > off:
            self._hands.power(True)
        if re.search(r"\bclean", lower):
            self._clean(words)

    def _clean(self, words: str) -> None:
        was_on = self._hands.powered()
        named = [c for c in self._hands.controls() if re.search(rf"\b{re.escape(c)}\b", words)]
        if named:
            self._make_safe()
        for control in named:
            self._hands.clean(control)
        if named and was_on:
            self._hands.power(True)

    def _mark(self, controls: Sequence[str]) -> None:
        for control in controls:
            self._hands.mark(control)

    def _put_back(self, controls: Sequence[str]) -> None:
        marks = self._hands.marks
        marks = marks() if callable(marks) else marks
        for control in controls:
            if control in marks:
                self._hands.turn(control, marks[control] - self._hands.position(control))

    def _turn_by_eye(self, controls: Sequence[str]) -> None:
        for control in controls:
            if control in eyes.BY_EYE:
                eyes.set_by_eye(self._hands, control, self._wait)

    def _controls(self, named: str) -> list[str]:
        """The controls a question names, or else those of the step."""
        named = named or getattr(self._step, "trimmer", "")
        return [name for name in (part.strip() for part in named.split(",")) if name]

    def _words(self, request: Any) -> str:
        step = self._step
        parts = [getattr(step, "point", ""), getattr(step, "trimmer", ""), request.text, request.step]
        return " ".join([*parts, getattr(step, "title", ""), getattr(step, "instruction", "")])

    # The hand.

    def _watch(self, notice: Any) -> None:
        if not getattr(self._step, "connections", ()):
            return  # its values are typed, so the turning is done when they are asked for
        named = str(notice.trimmer).split(",")[0].strip()
        if getattr(notice.view, "asked", None) is not None:
            self._count(notice.step, named, notice.view)
            return
        if not getattr(notice.view, "asks", 0):
            self._asks = ("", "", 0)
        if self._counted is not None:
            return  # it is made to its end, whatever the gauge does meanwhile
        goal = notice.goal
        hand = self._fingers.setdefault((notice.step, named), self._new_hand(goal))
        sight = _sight(goal, notice.view)
        self._watched = (named, hand, sight)
        if sight.hint == ASKS_WAY and hand.way and (notice.step, named) not in self._ways_said:
            self._ways_said.add((notice.step, named))
            self._said.append(Told("turned", "clockwise" if hand.way > 0.0 else "counter-clockwise"))
        self._motor.start()

    def _count(self, step: str, control: str, view: Any) -> None:
        """Turn once as far as is asked, as well as a hand can: 8 % and a degree off (common practice, no source)."""
        if self._asks == (step, control, view.asks):
            return
        self._asks = (step, control, view.asks)
        degrees = view.asked * self._random.gauss(1.0, 0.08) + self._random.gauss(0.0, 1.0)
        speed = self._hands.controls()[control] / 3.0
        begin = self._clock.now() + self._person.reaction
        self._counted = _Counted(control, degrees, min(speed, 360.0), begin)
        self._watched = None
        self._motor.start()

    def _new_hand(self, goal: Any) -> Hand:
        single = goal.travel <= 360.0
        traits = Traits(
            reaction=self._person.reaction,
            gain=self._person.gain,
            least_move=self._person.least_move,
            top_speed=180.0 if single else 720.0,
            pace=goal.travel / 9.0,
        )
        degrees = goal.travel / goal.span if goal.span else 10.0 / _half(goal)
        return Hand(traits, degrees, seed=self._random.randrange(2**31))

    def _lift(self) -> None:
        with self._turning:
            self._watched = self._counted = None
        self._motor.stop()

    def _tick(self) -> None:
        with self._turning:
            if self.trouble is not None:
                return
            if self._counted is not None:
                self._go_on(self._counted)
            elif self._watched is not None:
                control, hand, sight = self._watched
                self._turn(control, hand.step(self._clock.now(), sight))

    def _go_on(self, counted: _Counted) -> None:
        """The next bit of a counted turn; at its end let go and say so."""
        if self._clock.now() < counted.begin:
            return
        bit = math.copysign(min(abs(counted.left), counted.speed * TICK), counted.left)
        self._turn(counted.control, bit)
        counted.left -= bit
        if counted.left == 0.0:
            self._counted = None
            self._said.append(Told("turned"))

    def _turn(self, control: str, degrees: float) -> None:
        if not degrees:
            return
        try:
            self._hands.turn(control, degrees)
        except (OSError, FileError) as error:  # the bench is gone, or has no such control
            self.trouble = error

    def _wait(self, seconds: float) -> None:
        self._clock.sleep_until(self._clock.now() + seconds)


class RefusingOperator(SimulatedOperator):
    """As the simulated operator, but never acknowledges a hold point."""

    def acknowledge(self, hold: Any) -> str | None:
        self._lift()
        return None


def _input(connection: Any) -> str:
    channel = connection.channel
    return str(connection.instrument) if channel is None else f"{connection.instrument}.{channel}"


def _via(connection: Any) -> str:
    """A 10x probe belongs to its scope; only a high-voltage probe is put between."""
    return str(connection.probe) if connection.point == ANODE else ""


def _half(goal: Any) -> float:
    return max((float(goal.high) - float(goal.low)) / 2.0, 1e-12)


def _sight(goal: Any, view: Any) -> Sight:
    value = None if view.stale else view.value
    target, half = goal.target, _half(goal)
    if not (math.isfinite(target) and math.isfinite(half)):  # a least point: the cue alone leads
        half = 1.0
        target = (value or 0.0) + half
    turn, hint = (str(getattr(view, name, None) or "") for name in ("turn", "hint"))
    return Sight(value, target, half, str(view.cue), turn, hint)
