"""Three kinds of people at a trimmer, from the literature on manual control. They know no class of the trim engine.

- `Tracker` follows an error continuously: the crossover model (McRuer and Jex 1967, IEEE Trans. HFE-8, "A review of
  quasi-linear pilot models"). Her hand turns at a rate in proportion to the error she saw one reaction ago. The
  crossover frequency is her own where the loop is quick, and falls as the delay grows so that 40 to 70 degrees of
  phase margin are kept; the delay is her reaction, half a reading's period, and half its aperture. Remnant of 10 to
  30 % of the rate in a band of a few hertz; a neuromuscular lag of 0.1 s.
- `Ballistic` moves in single planned submovements (Craik 1947; Meyer et al. 1988, Psychological Review 95, "Optimality
  in human motor performance"). Where one ends scatters in proportion to its size (signal-dependent noise: Harris and
  Wolpert 1998, Nature 394), it lasts as long as Fitts's law says (Fitts 1954; slope 0.1 to 0.15 s a bit), and the next
  is planned from two readings that agree. Of each she learns what the screw does.
- `Glancing` looks now and then, as somebody does whose eyes are on a live chassis: a glance every 0.3 to 0.8 s, 250 ms
  of reaction, turns that are off by 20 %, a screw that sticks for 3 degrees and then slips; learns the screw's gain and
  does not know the way at first.

The works named were not read again for these values. Sampled over a population (`Traits.sampled`): reaction
0.2 to 0.35 s (Welford 1980), first guess of what a degree does off by a factor (sd of its logarithm 0.5), way known
to nobody at first, wrist 90 to 240 degrees/s, fingers on a multi-turn screw 360 to 720 degrees/s (both common practice,
no source). Reading a number and planning by it, or reading or hearing an instruction, takes 0.2 to 0.4 s beyond the
reaction (a choice among several takes about 150 ms a bit: Hick 1952).

What is on the screen is a `Sight`; which parts of it a person has is decided by the arm of the benchmark. With digits
alone she is a careful person: she waits for readings that agree before she acts upon a slow meter, aims for the
middle, breaks off a long turn that goes wrong or too far, and goes on only if a reading has left the window. A word to
stop goes before her own judgement, and a stated part of a turn before both.
"""

from __future__ import annotations

import math
import random
from collections import deque
from dataclasses import dataclass

DT = 0.02
GRIP = 180.0  # degrees of one grip; a longer turn is made of several
RAMP = 0.3  # s
STICKS = 3.0  # degrees for which a dry screw holds
WORDS = {"turn up": 1.0, "slowly up": 1.0, "turn down": -1.0, "slowly down": -1.0}


@dataclass(frozen=True, slots=True)
class Sight:
    """What there is to see or hear.

    error     target minus reading in units, None where no number is to be had
    half      half of the window in the same units
    reading   number of the reading that this is, to tell a new one from an old one
    cue       words, "" where there are none
    turn      +1 clockwise, -1 counter-clockwise, 0 not said
    asked     degrees to turn, clockwise positive, None for none; `ask` counts the askings
    """

    error: float | None = None
    half: float = 1.0
    reading: int = 0
    cue: str = ""
    turn: float = 0.0
    asked: float | None = None
    ask: int = 0
    hint: str = ""


NOTHING = Sight()


@dataclass(frozen=True, slots=True)
class Traits:
    """One person, at one screw. `scatter` is the standard deviation of a planned turn, as a part of it."""

    reaction: float
    reads: float
    wrist: float
    scatter: float
    crossover: float
    margin: float
    remnant: float
    fitts: float
    glance: float
    guess: float

    @staticmethod
    def sampled(rng: random.Random, travel: float) -> Traits:
        many = travel > 360.0
        return Traits(
            reaction=rng.uniform(0.2, 0.35),
            reads=rng.uniform(0.2, 0.4),
            wrist=rng.uniform(360.0, 720.0) if many else rng.uniform(90.0, 240.0),
            scatter=rng.uniform(0.06, 0.16),
            crossover=rng.uniform(1.0, 3.0),
            margin=math.radians(rng.uniform(40.0, 70.0)),
            remnant=rng.uniform(0.1, 0.3),
            fitts=rng.uniform(0.10, 0.15),
            glance=rng.uniform(0.3, 0.8),
            guess=math.exp(rng.gauss(0.0, 0.5)),
        )


class Person:
    """What all have: news that is one reaction old, turns that take their time, a belief of what a degree does."""

    scatter_floor = 0.3  # degrees

    def __init__(self, traits: Traits, seed: int, period: float, aperture: float) -> None:
        self.traits, self.period, self.aperture = traits, period, aperture
        self.random = random.Random(seed)
        self.raises = self.random.choice((-1.0, 1.0))  # the way believed to raise it
        self.last_way = 0.0
        self.blocked_at = -9.0
        self.gain = traits.guess  # units for each degree, believed
        self.news: deque[tuple[float, Sight]] = deque()
        self.seen = NOTHING
        self.now = 0.0
        self.moving = False
        self.turned = 0.0  # in all
        self.plan: tuple[float, float, float, float] | None = None  # began, lasts, degrees, done
        self.ask_done = 0
        self.ask_from: float | None = None

    def step(self, now: float, shown: Sight) -> float:
        """Degrees turned since the last call, clockwise positive."""
        self.now = now
        if not self.news or self.news[-1][1] != shown:
            self.news.append((now, shown))
        while self.news and self.news[0][0] <= now - self.traits.reaction:
            seen = self.news.popleft()[1]
            self.seen, before = seen, self.seen
            self.look(before, seen)
        moved = self._asked() if self.seen.asked is not None or self._finishing() else self.act()
        self.turned += moved
        self.last_way = math.copysign(1.0, moved) if moved else self.last_way
        return moved

    def _finishing(self) -> bool:
        return self.plan is not None and self.ask_from is not None

    def _asked(self) -> float:
        """A stated part of a turn: taken in, made, let go."""
        if self.plan is not None:
            return self.carry()
        self.ask_from = None if self.ask_done == self.seen.ask else self.ask_from
        if self.seen.asked is None or self.ask_done == self.seen.ask:
            self.moving = False
            return 0.0
        if self.ask_from is None:
            self.ask_from = self.now
        if self.now - self.ask_from >= self.traits.reads:
            self.ask_done = self.seen.ask
            self.begin(self.seen.asked)
        return 0.0

    def begin(self, degrees: float) -> None:
        """Plan one turn; its end scatters with its size."""
        size = abs(degrees)
        off = self.random.gauss(0.0, math.hypot(self.amplitude_scatter() * size, self.scatter_floor))
        fitts = self.traits.fitts * math.log2(1.0 + size / 2.0) + 0.1
        lasts = max(fitts, 1.5 * size / self.traits.wrist if size < GRIP else size / self.traits.wrist + RAMP)
        self.plan = (self.now, lasts, math.copysign(size, degrees) + off, 0.0)
        self.moving = True

    def amplitude_scatter(self) -> float:
        return self.traits.scatter

    def carry(self) -> float:
        """The next part of the planned turn: a smooth rise and fall of speed (minimum jerk: Flash and Hogan 1985)."""
        assert self.plan is not None
        began, lasts, degrees, done = self.plan
        part = min(1.0, (self.now - began) / lasts)
        if abs(degrees) < GRIP:
            share = part**3 * (10.0 - 15.0 * part + 6.0 * part**2)
        else:  # one grip after the other, at an even pace
            share = min(1.0, max(0.0, part * lasts - RAMP / 2.0) / (lasts - RAMP))
        reached = degrees * share
        self.plan = None if part >= 1.0 else (began, lasts, degrees, reached)
        if self.plan is None:
            self.moving, self.ask_from = False, None
            self.done()
        return reached - done

    def done(self) -> None:
        """A planned turn has ended."""

    def look(self, before: Sight, seen: Sight) -> None:
        """Take in a piece of news."""

    def act(self) -> float:
        raise NotImplementedError

    def way_of(self, error: float) -> float:
        """The way to turn for an error, or as told."""
        if self.seen.turn:
            return self.seen.turn
        wanted = WORDS.get(self.seen.cue, math.copysign(1.0, error))
        return wanted * self.raises

    def blocked(self) -> None:
        """The screw is at its stop: the other way, then."""
        error, way = self.seen.error, self.last_way
        still_wanted = error is None or way == math.copysign(1.0, error) * self.raises
        if still_wanted and self.now - self.blocked_at > 1.0:
            self.raises = -self.raises
        self.blocked_at = self.now
        self.forget()
        self.plan, self.ask_from = None, None
        self.moving = False
        self.done()

    def forget(self) -> None:
        """What the turn at the stop did teaches nothing."""

    def felt(self, degrees: float) -> float:
        """How far she feels that she turned: 2.25 degrees of a finger's joint (Tan et al. 1994), anew for each grip."""
        grips = 1.0 + abs(degrees) / 120.0
        return degrees + self.random.gauss(0.0, 2.25 * math.sqrt(grips))

    def told_to_stop(self) -> bool:
        return bool(self.seen.cue) and self.seen.cue not in WORDS and self.seen.cue != "back"


def learned(gain: float, seen: float, part: float) -> float:
    """A belief moved by `part` to what was seen, by a factor of three at most."""
    return gain * min(max(seen / gain, 1.0 / 3.0), 3.0) ** part


class Tracker(Person):
    """Continuous: the crossover model."""

    def __init__(self, traits: Traits, seed: int, period: float, aperture: float) -> None:
        super().__init__(traits, seed, period, aperture)
        delay = traits.reaction + 0.1 + period / 2.0 + aperture / 2.0
        self.rate = min(traits.crossover, (math.pi / 2.0 - traits.margin) / delay)
        self.speed = 0.0
        self.noise, self.noise_until = 1.0, -1.0
        self.probe: tuple[float, float] | None = None  # error seen, degrees turned in all then
        self.shown: deque[tuple[float, float]] = deque()  # (moment, degrees turned in all)

    def look(self, before: Sight, seen: Sight) -> None:
        if seen.hint == "the other way round" and before.hint != seen.hint:
            self.raises = -self.raises
        if seen.error is None or seen.reading == before.reading:
            return
        turned = self.turned_at(self.now - self.traits.reaction - self.aperture / 2.0)
        if self.probe is not None:
            degrees = self.felt(turned - self.probe[1])
            found = self.probe[0] - seen.error  # rise of the value
            if abs(degrees) * self.gain < 4.0 * seen.half and abs(found) < 4.0 * seen.half:
                return
            if abs(found) > 2.0 * seen.half and abs(degrees) > 2.0:
                self.raises = math.copysign(1.0, found * degrees)
                self.gain = learned(self.gain, abs(found / degrees), 0.5)
        self.probe = (seen.error, turned)

    def turned_at(self, moment: float) -> float:
        """Degrees that had been turned at `moment`, as the hand feels it."""
        found = 0.0
        while len(self.shown) > 1 and self.shown[1][0] <= moment:
            self.shown.popleft()
        if self.shown:
            found = self.shown[0][1]
        return found

    def act(self) -> float:
        wanted = self.wanted()
        if self.now >= self.noise_until:
            self.noise, self.noise_until = self.random.gauss(1.0, self.traits.remnant), self.now + 0.15
        self.speed += (wanted * self.noise - self.speed) * min(1.0, DT / 0.1)
        if wanted == 0.0 and abs(self.speed) < 1.0:
            self.speed = 0.0
        self.moving = self.speed != 0.0
        self.shown.append((self.now, self.turned))
        return self.speed * DT

    def wanted(self) -> float:
        seen = self.seen
        if self.told_to_stop():
            return 0.0
        error = seen.error
        if error is None:
            if seen.cue not in WORDS:
                return 0.0
            pace = self.traits.wrist * (0.06 if seen.cue.startswith("slowly") else 0.25)
            return pace * self.way_of(0.0)
        zone = seen.half * (0.5 if self.moving else 1.0)
        if abs(error) <= zone and seen.cue not in WORDS:
            return 0.0
        speed = min(self.rate * max(abs(error), 0.5 * seen.half) / self.gain, self.traits.wrist)
        return speed * self.way_of(error)


class Ballistic(Person):
    """Planned submovements, each from readings that agree."""

    patient = True

    def __init__(self, traits: Traits, seed: int, period: float, aperture: float) -> None:
        super().__init__(traits, seed, period, aperture)
        self.settled: Sight | None = None  # the newest reading that agrees with the one before
        self.last_done = -9.0
        self.before_turn: tuple[float, float] | None = None  # error, degrees turned in all
        self.next_at = 0.0
        self.read_at = 0.0

    def amplitude_scatter(self) -> float:
        return self.traits.scatter

    def done(self) -> None:
        self.last_done, self.settled = self.now, None

    def look(self, before: Sight, seen: Sight) -> None:
        if seen.hint == "the other way round" and before.hint != seen.hint and seen.error is None:
            self.raises = -self.raises
        if seen.error is None or seen.reading == before.reading:
            return
        self.watch(seen)
        came = self.now - self.traits.reaction  # the reading came on the screen then
        whole = came - self.aperture - 0.1 >= self.last_done  # a quick person sees that it began after she let go
        agrees = before.error is not None and abs(before.error - seen.error) < max(
            1.0 * seen.half, 0.1 * abs(seen.error)
        )
        if whole and (agrees or not self.patient or self.period > 2.0 * self.aperture + 9.0):
            self.settled, self.read_at = seen, self.now + self.traits.reads if self.settled is None else self.read_at

    def watch(self, seen: Sight) -> None:
        """While she turns for long she sees where it goes, and breaks off where that is wrong or too far."""
        if self.plan is None or self.before_turn is None or seen.error is None or self.seen.asked is not None:
            return
        error = self.before_turn[0]
        wrong = (seen.error - error) * math.copysign(1.0, error) > 3.0 * seen.half
        if seen.turn:  # the cue judges of that
            wrong = seen.turn * self.plan[2] < 0.0
        if wrong or (seen.error * error < 0.0 and abs(seen.error) > seen.half):
            self.cut()

    def act(self) -> float:
        if self.plan is not None:
            if self.told_to_stop():
                self.cut()
            return self.carry() if self.plan is not None else 0.0
        seen = self.seen
        if seen.error is None:
            return self.by_words()
        if self.told_to_stop() or self.settled is None or self.now < max(self.next_at, self.read_at):
            return 0.0
        self.learn(self.settled)
        error = self.settled.error or 0.0
        if abs(error) <= seen.half and seen.cue not in WORDS:
            return 0.0
        self.before_turn = (error, self.turned)
        size = abs(error) / self.gain
        self.begin(self.way_of(error) * size)
        self.settled = None
        self.next_at = self.now + 0.2
        return 0.0

    def cut(self) -> None:
        """A turn under way is stopped at a word."""
        self.plan, self.moving, self.ask_from = None, False, None
        self.done()

    def by_words(self) -> float:
        """Words only: she turns at a pace while told to."""
        if self.seen.cue not in WORDS:
            self.moving = False
            return 0.0
        self.moving = True
        pace = self.traits.wrist * (0.06 if self.seen.cue.startswith("slowly") else 0.25)
        return pace * self.way_of(0.0) * max(0.0, self.random.gauss(1.0, self.traits.scatter)) * DT

    def learn(self, seen: Sight) -> None:
        """What the last turn did, against what she felt that she turned."""
        if self.before_turn is None or seen.error is None:
            return
        error, turned = self.before_turn
        degrees, found = self.felt(self.turned - turned), error - seen.error
        self.before_turn = None
        if abs(degrees) < 1.0 or abs(found) < 1.0 * seen.half:
            return
        self.raises = math.copysign(1.0, found * degrees)
        self.gain = learned(self.gain, abs(found / degrees), 0.7)

    def forget(self) -> None:
        self.before_turn = None


class Glancing(Ballistic):
    """Looks now and then, and acts upon what she sees then."""

    patient = False

    def __init__(self, traits: Traits, seed: int, period: float, aperture: float) -> None:
        super().__init__(traits, seed, period, aperture)
        self.traits_reaction = 0.25
        self.held = 0.0  # degrees of wind-up in a dry screw

    def amplitude_scatter(self) -> float:
        return 0.2

    def done(self) -> None:
        super().done()
        self.next_at = self.now + self.traits.glance * self.random.uniform(0.7, 1.3)

    def step(self, now: float, shown: Sight) -> float:
        self.held += super().step(now, shown)
        if abs(self.held) < STICKS:
            return 0.0
        slipped, self.held = self.held, 0.0
        return slipped


MODELS: dict[str, type[Person]] = {"crossover": Tracker, "ballistic": Ballistic, "glancing": Glancing}
