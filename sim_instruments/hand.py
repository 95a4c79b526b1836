"""A simulated eye and hand on a trimmer.

The numbers are those of published manual-control studies (crossover model of McRuer and Jex, 1967; visual reaction
after Welford, 1980; not read again for the values): a reaction delay of 0.2 to 0.35 s, a crossover gain of 0.3 to
3 rad/s, a dead zone, noise that belongs to the person ("remnant") and a top speed. A smallest move of 1 to 3 degrees
and the steady pace are common practice, no source.

Rules it keeps:
- The hand knows only what the eye has seen, and the eye's news is always one reaction old.
- It sees either raw digits (`Sight.cue` is empty) or a cue in words; it knows no class of the engine.
- With raw digits it turns in proportion to the error it sees. Under a cue it turns the way it is told, at no less
  than its own steady pace while far, in proportion to the error when told "slowly", and not at all when told to stop.
- The same seed gives the same hand.
"""

from __future__ import annotations

import math
import random
from collections import deque
from dataclasses import dataclass

CLOCKWISE = 1.0
_TURN = {"turn up": 1.0, "slowly up": 1.0, "turn down": -1.0, "slowly down": -1.0, "back": 0.0}
_WRONG = "the other way round"
_SLOWER = "slower"  # each time this comes the hand halves its slow pace
_BACK = "back"  # the other way than it was turned when this came
_FAR = {"turn up", "turn down"}
_WAYS = {"clockwise": 1.0, "counter-clockwise": -1.0}


@dataclass(frozen=True, slots=True)
class Sight:
    """What there is to see at one moment.

    value   the number on the display, None while there is none
    target  what it should be, same unit
    half    half of the window, same unit
    cue     the words of the cue; "" where the eye has only digits
    turn    "clockwise" or "counter-clockwise" where the cue says so
    hint    the few words beside the cue
    """

    value: float | None
    target: float
    half: float
    cue: str = ""
    turn: str = ""
    hint: str = ""

    @property
    def error(self) -> float:
        """Target minus value; 0 while there is no number."""
        return 0.0 if self.value is None else self.target - self.value


@dataclass(frozen=True, slots=True)
class Traits:
    """One person at one kind of screw.

    reaction    seconds from light to movement
    gain        rad/s: degrees per second of turning for each degree of error seen
    dead_zone   part of half the window that counts as "there" while turning
    least_move  degrees: nothing smaller leaves a hand that rests
    remnant     standard deviation of the person's own noise, as a part of the speed
    top_speed   degrees per second
    pace        degrees per second, for each rad/s of gain, below which the hand does not fall while told it is far
    """

    reaction: float = 0.27
    gain: float = 1.0
    dead_zone: float = 0.5
    least_move: float = 2.0
    remnant: float = 0.1
    top_speed: float = 360.0
    pace: float = 30.0


class Hand:
    """The person: `step` is asked again and again and answers how far the screw was turned since.

    `degrees_per_unit` is the size of the turn that the person expects to move the reading by one unit;
    `raises` the way believed to raise it (+1 clockwise, -1 counter-clockwise), corrected by what is seen.
    """

    def __init__(self, traits: Traits, degrees_per_unit: float, *, raises: float = CLOCKWISE, seed: int = 0) -> None:
        self.traits = traits
        self.degrees_per_unit = abs(degrees_per_unit)
        self.raises = math.copysign(1.0, raises)
        self._random = random.Random(seed)
        self._news: deque[tuple[float, Sight]] = deque()
        self._seen: Sight | None = None
        self._then: float | None = None
        self._moving = False
        self._intended = 0.0
        self._way = 0.0
        self._back = 0.0
        self._ease = 1.0  # part of the own pace that is kept when told to go slowly
        self._noise = 1.0
        self._noise_until = -math.inf
        self._judges_from = -math.inf
        self._turned_round = False  # by its own judgement, since the last word to turn
        self._blocked = 0.0  # the way in which it last ran into a stop
        self._probe: tuple[float, float] | None = None  # value seen, degrees turned one way since

    @property
    def moving(self) -> bool:
        """The screw is being turned; False when the tool rests."""
        return self._moving

    @property
    def way(self) -> float:
        """The way it was last turned: +1 clockwise, -1 counter-clockwise, 0 before the first."""
        return self._way

    def blocked(self) -> None:
        """The screw turns no further: whoever feels the stop tries the other way."""
        if self._blocked != self._way:
            self.raises = -self.raises
            self._turned_round = True
        self._blocked = self._way

    def step(self, now: float, seen: Sight) -> float:
        """Degrees turned since the call before, clockwise positive. `now` in seconds, never going back."""
        if not self._news or self._news[-1][1] != seen:
            self._news.append((now, seen))
        while self._news and self._news[0][0] <= now - self.traits.reaction:
            self._look(self._news.popleft()[1], now)
        elapsed, self._then = 0.0 if self._then is None else now - self._then, now
        speed = 0.0 if self._seen is None else self._speed(self._seen)
        return self._turn(speed, elapsed, now)

    def _look(self, seen: Sight, now: float) -> None:
        """Take in one piece of news, and notice if the reading went the other way than believed.

        What is seen just after turning round is still the old way's doing, and is not judged by.
        """
        before, self._seen = self._seen, seen
        if seen.cue == _BACK and (before is None or before.cue != _BACK):
            self._back = -self._way
        if seen.hint == _SLOWER and (before is None or before.hint != _SLOWER):
            self._ease /= 2.0
        self._told(before, seen)
        if seen.value is None or (before is not None and before.value == seen.value):
            return
        if now < self._judges_from:
            return
        if self._probe is None:
            self._probe = (seen.value, 0.0)
            return
        value, turned = self._probe
        expected = turned * self.raises / self.degrees_per_unit
        if abs(expected) < 4.0 * seen.half:
            return
        found = seen.value - value
        if found * expected < 0.0 and abs(found) > 2.0 * seen.half:
            self.raises = -self.raises
            self._turned_round = True
        self._probe = (seen.value, 0.0)

    def _told(self, before: Sight | None, seen: Sight) -> None:
        """With a new word to turn, take the hint that the last turn went wrong, unless it was undone meanwhile."""
        if seen.cue not in _TURN or (before is not None and before.cue in _TURN):
            return
        if seen.hint == _WRONG and not self._turned_round:
            self.raises = -self.raises
        self._turned_round = False

    def _speed(self, seen: Sight) -> float:
        """Degrees per second wanted now, clockwise positive."""
        if seen.value is None:
            return 0.0
        return self._cued_speed(seen) if seen.cue else self._digit_speed(seen)

    def _digit_speed(self, seen: Sight) -> float:
        zone = seen.half * (self.traits.dead_zone if self._moving else 1.0)
        if abs(seen.error) <= zone:
            return 0.0
        return self._limited(self.traits.gain * seen.error * self.degrees_per_unit * self.raises)

    def _cued_speed(self, seen: Sight) -> float:
        speed = self.traits.gain * abs(seen.error) * self.degrees_per_unit
        steady = self.traits.gain * self.traits.pace
        if seen.cue not in _TURN:
            return 0.0
        wanted = _TURN[seen.cue] or math.copysign(1.0, seen.error)
        back = self._back if seen.cue == _BACK else 0.0
        way = _WAYS.get(seen.turn) or back or wanted * self.raises
        speed = max(speed, steady) if seen.cue in _FAR else min(speed, steady / 3.0) * self._ease
        return self._limited(way * speed)

    def _limited(self, speed: float) -> float:
        return math.copysign(min(abs(speed), self.traits.top_speed), speed)

    def _turn(self, speed: float, elapsed: float, now: float) -> float:
        if speed == 0.0:
            self._moving, self._intended = False, 0.0
            return 0.0
        if now >= self._noise_until:  # the remnant has a bandwidth of a few hertz
            self._noise = max(0.0, self._random.gauss(1.0, self.traits.remnant))
            self._noise_until = now + 0.1
        self._intended += speed * self._noise * elapsed
        if not self._moving and abs(self._intended) < self.traits.least_move:
            return 0.0
        turned, self._intended, self._moving = self._intended, 0.0, True
        way = math.copysign(1.0, turned)
        if way != self._way:
            self._probe, self._blocked = None, 0.0
            self._judges_from = now + 2.0 * self.traits.reaction
        self._way = way
        if self._probe is not None:
            self._probe = (self._probe[0], self._probe[1] + turned)
        return turned
