"""How long a record's edges take from 10 % to 90 %.

Rules of this module:

- A place at a reference level is where a curve through the mean course of the edges passes it, not where a noisy
  sample first or last did.
- The piece that is fitted lies mostly between the level and the middle: beyond the level a single pole begins, and a
  ramp ends, with a corner.
- Where a level is passed so slowly that noise hides the place, the area between the course and its state says more:
  the 10 % and 90 % instants of a ramp lie 1.60 times as far out as the area over half the amplitude, those of a single
  pole 1.52 and 1.61 times, of a raised cosine 1.62 times, of a Gaussian edge 1.61 times (closed forms). Both are
  weighed by their uncertainty.
- An edge of fewer than two samples has no duration that can be measured: what is given is flagged by who asked.
"""

from __future__ import annotations

import math

from .courses import Course, Crossing, course, crossing
from .instants import Instants
from .states import States
from .waveform import Waveform

_REACH = 2.0  # edge lengths from the middle that are looked at
_SHORT = 1.0  # edge lengths over which the area is taken at first
_SLOW = 0.55  # place from which it is taken over `_REACH`
_BY_AREA, _BY_AREA_DOUBT = 1.61, 0.08
_INNER, _OUTER = 0.1, 1.17  # the piece that is fitted, in places of the level
_LEAST = 4.5  # samples of a piece
_LOWEST, _HIGHEST = 0.15, 1.5  # of the place by area
_TRUST = 1.6  # how far from the place by area a curve is believed
_LEVEL = 0.4  # amplitudes from the middle: the 10 % and the 90 % level
_FLATTEST = 0.1  # amplitudes per edge length at a level that can be placed; a single pole has 0.2 at 90 %
_ROUNDS = 8
_BLUNT = 0.4  # samples: what is not known of an edge between two samples


def transition_time(
    waveform: Waveform, instants: Instants, states: States, room: tuple[float, float], *, rising: bool
) -> tuple[float, float]:
    """Samples from 10 % to 90 % (falling: 90 % to 10 %) and the standard uncertainty.

    room  samples to the edges before and after
    """
    length = states.amplitude / instants.slope
    before, after = (math.ceil(min(_REACH * length, 0.5 * each)) + 2 for each in room)
    seen = course(waveform, instants.times, states, length, (before, after), rising)
    first, second = _outward(seen, -1.0), _outward(seen, 1.0)
    # An error of either state moves both reference levels, each by its own share.
    left, reached = (states.low, states.high) if rising else (states.high, states.low)
    of_left = (0.1 / second.steepness - 0.9 / first.steepness) * left.uncertainty / states.amplitude
    of_reached = (0.9 / second.steepness - 0.1 / first.steepness) * reached.uncertainty / states.amplitude
    blunt = 0.0 if instants.resolved else _BLUNT / length
    uncertainty = math.hypot(first.uncertainty, second.uncertainty, of_left, of_reached, blunt)
    return max(second.place - first.place, 0.0) * length, uncertainty * length


def _outward(seen: Course, side: float) -> Crossing:
    """Where the course passes the 10 % level (side -1) or the 90 % level (side 1)."""
    rough = _by_area(seen, side)
    found = _by_curve(seen, side, rough)
    if found is None:
        return rough
    by_area, by_curve = (1.0 / max(each.uncertainty, 1e-12) ** 2 for each in (rough, found))
    both = by_area + by_curve
    place = (by_area * rough.place + by_curve * found.place) / both
    return Crossing(place, 1.0 / math.sqrt(both), max(found.steepness, _FLATTEST))


def _by_area(seen: Course, side: float) -> Crossing:
    """The place from the area between the course and the state on this side."""
    for reach in (_SHORT, _REACH):
        mean, count = seen.mean(min(0.0, side * reach), max(0.0, side * reach))
        place = min(max(_BY_AREA * 2.0 * reach * (0.5 - side * mean), _LOWEST), _HIGHEST)
        noise = _BY_AREA * 2.0 * reach * seen.noise / math.sqrt(max(count, 1))
        if place < _SLOW:
            break
    return Crossing(side * place, math.hypot(_BY_AREA_DOUBT * place, noise), 0.3 / place)


def _by_curve(seen: Course, side: float, rough: Crossing) -> Crossing | None:
    """The place where curves through the piece inside of it end up; None where they run away."""
    least = _LEAST / seen.length / min(seen.phases, 3)
    near = rough.place
    for _ in range(_ROUNDS):
        outer = _OUTER * near
        inner = outer - side * max((_OUTER - _INNER) * abs(near), least)
        found = crossing(seen, side * _LEVEL, min(inner, outer), max(inner, outer), near)
        if found is None:
            return None
        moved = found.place - near
        if abs(moved) < 0.1 * found.uncertainty or abs(moved) < 1e-9 * abs(near):
            break
        near = side * min(max(side * found.place, side * rough.place / _TRUST), side * rough.place * _TRUST)
    return found
