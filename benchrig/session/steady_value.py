"""Reading a value until it stands.

Rules kept here:
- A value stands over a second at least, and over its step's own settling; what goes on running is taken as that.
- What may be creeping out of its window is read on, until nothing speaks for a creep or it had its time (see
  `trim.creep`); a value that surely creeps carries that with it. Nobody waits for a value that shows no sign of it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from ..events import LinkDown, LinkUp
from ..procedure.quantities import Limits
from ..readings import Flag, Reading
from ..trim import creep
from ..trim.estimate import value_of as number_of
from ..trim.types import Creep
from .tools import InstrumentSource
from .verdicts import Value, value_of, window_to_stay_in
from .work import Work

PATIENCE = 20.0  # s without one usable reading before a value counts as absent
RUNNING = 10.0  # s after which readings are taken although they still run
STANDS = 1.0  # s over which readings must stand before they are a value
LONGEST = 120.0  # s for one value, an instrument that comes and goes included
FOR_A_HAND = 900.0  # s for one value while the person has been told to turn a knob first
SAID_AFTER = 5.0  # s of a suspected creep, after which the person is told what is waited for


@dataclass(frozen=True, slots=True)
class Look:
    """What was read.

    readings  that make the value
    rest      all since it stood, those of an earlier look included
    crept     it may have been creeping for as long as one waits for that to end
    """

    readings: Sequence[Reading]
    rest: Sequence[Reading]
    crept: bool

    def value(self, limits: Limits | None) -> Value | None:
        """The value, whether it stands, and whether it surely creeps all the same; None where nothing was read."""
        if not self.readings:
            return None
        found = replace(value_of(self.readings), stands=steady(self.readings, limits), rest=tuple(self.rest))
        if limits is None or not self.crept:
            return found
        return replace(found, creep=creep.creeping(self.rest, *window_to_stay_in(found.value, limits)))


class Rest:
    """All readings since a value came to rest, and whether they may be on their way out of the window.

    `before` are those of an earlier look in which it stood, for a slope over both.
    """

    def __init__(self, limits: Limits | None, before: Sequence[Reading] = ()) -> None:
        self.row: list[Reading] = []
        self.suspected: Creep | None = None
        self.began = math.inf
        self._limits = limits
        self._before = before

    def forget(self) -> None:
        """It moved, or was away."""
        self.row, self._before, self.suspected = [], (), None

    def add(self, taken: Sequence[Reading]) -> bool:
        """`taken` stand, and the last of them is new. True if there is nothing to wait for any more."""
        if not self.row:
            self.row, self.began = [*self._before, *taken], taken[0].time
        else:
            self.row.append(taken[-1])
        if self._limits is not None:
            window = window_to_stay_in(number_of(taken[-1]), self._limits)
            self.suspected = creep.suspected(self.row, *window)
        return self.crept or self.suspected is None

    @property
    def crept(self) -> bool:
        """It may have been creeping for as long as one waits."""
        return self.suspected is not None and self.waited >= creep.PATIENCE

    @property
    def waited(self) -> float:
        """Seconds for which it stands, as far as this look goes."""
        return self.row[-1].time - self.began if self.row else 0.0


def look(
    work: Work,
    source: InstrumentSource,
    limits: Limits | None,
    count: int,
    over: float = STANDS,
    before: Sequence[Reading] = (),
) -> Look:
    """Usable readings, `count` or more and each begun after now, that stand over `over` seconds, a second at least.

    The last ones if they go on running: `steady` tells. `before` are readings of an earlier look in which it stood.

    Fewer, or none, if they do not come: the person may still be at the leads, the unit may still be coming up. An
    instrument that is away is no absent value: it comes back, or is given up with LinkLost.
    """
    began, over = work.clock.now(), max(STANDS, over)
    taken: list[Reading] = []
    rest = Rest(limits, before)
    longest = LONGEST
    with work.feed(source, limits) as feed:
        last = began
        while work.away or work.clock.now() < min(last + PATIENCE, began + longest):
            item = work.take(feed, source, limits)
            if isinstance(item, Reading) and waits_for_a_hand(item) and work.services.operator.attended:
                last, longest = work.clock.now(), FOR_A_HAND
            if isinstance(item, LinkDown | LinkUp):
                taken.clear()
                rest.forget()
                last = work.clock.now()
            if isinstance(item, Reading) and item.usable:
                last = work.clock.now()
            ended = False
            for reading in work.counted:
                if not reading.usable or reading.time - reading.aperture < began:
                    continue
                taken = recent([*taken, reading], count, over)
                if reading.flags & Flag.RANGE_CHANGED:
                    rest.forget()
                enough = len(taken) >= count and taken[-1].time - taken[0].time + taken[0].aperture >= over
                running = work.clock.now() > began + RUNNING
                ended = enough and _at_rest(work, rest, taken, limits, running=running)
            if ended:
                break
    return Look(taken, rest.row, rest.crept)


def _at_rest(work: Work, rest: Rest, taken: Sequence[Reading], limits: Limits | None, *, running: bool) -> bool:
    """True if there is nothing more to wait for; `running`: it has run for so long that it is taken as it is."""
    if not steady(taken, limits):
        rest.forget()
        return running
    ended = rest.add(taken)
    if rest.suspected is not None and not ended and rest.waited >= SAID_AFTER:
        words = f"It may be {rest.suspected.words(taken[-1].unit)}. Waiting, hands off, for it to stand."
        work.say_once("creep", "", words, "note")
    return ended


def waits_for_a_hand(reading: Reading) -> bool:
    """True if the instrument can only be read when somebody has turned its knob."""
    return bool(reading.flags & Flag.WRONG_FUNCTION)


def recent(readings: Sequence[Reading], count: int, over: float) -> list[Reading]:
    """The fewest last readings that are `count` or more and span `over` seconds."""
    spare = len(readings) - count
    while spare > 0 and readings[-1].time - readings[spare].time < over:
        spare -= 1
    return list(readings[max(spare, 0) :])


def steady(readings: Sequence[Reading], limits: Limits | None) -> bool:
    """True if the readings do not run: a lead that was just moved, or a unit that was just switched on, still does.

    The means of the first and the last half differ by a tenth of the window at most, or by no more than three
    standard deviations of noise, taken from the steps between neighbours so that a ramp does not pass for noise.
    """
    values = [reading.value for reading in readings if reading.value is not None]
    if limits is None or limits.low is None or limits.high is None or len(values) < 2:
        return True
    half = len(values) // 2
    change = abs(math.fsum(values[-half:]) - math.fsum(values[:half])) / half
    steps = [after - before for before, after in itertools.pairwise(values)]
    mean_step = math.fsum(steps) / len(steps)
    noise = math.sqrt(math.fsum((it - mean_step) ** 2 for it in steps) / (2.0 * len(steps)))
    return change <= max((limits.high - limits.low) / 10.0, 3.0 * noise * math.sqrt(2.0 / half))
