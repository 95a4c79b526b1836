"""How a row of readings is wrong: each class on rows made for it, and none on ordinary rows."""

import math
import random

import pytest

from benchrig.procedure.quantities import Limits, ReadingClass
from benchrig.session.reading_class import shape_of

RAIL = Limits("V", 11.4, 12.6, 11.4, 12.6)
MINUS = Limits("V", -12.6, -11.4, -12.6, -11.4)


def noise(size, seed, count=40, level=12.0):
    chance = random.Random(seed)
    return [level + chance.gauss(0.0, size) for _ in range(count)]


def test_ordinary_rows_have_no_class():
    """Steady, a little noisy, and one that is only out of its window."""
    for seed in range(200):
        assert shape_of(noise(0.005, seed), RAIL) is None
        assert shape_of(noise(0.05, seed, level=9.0), RAIL) is None


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("long", [1, 3, 15])
def test_a_row_that_falls_away_and_comes_back_dips(long, sign):
    """A bad contact, on a positive rail and on a negative one."""
    row = noise(0.005, long)
    row[10 : 10 + long] = [0.3] * long
    assert shape_of([sign * value for value in row], RAIL if sign > 0 else MINUS) is ReadingClass.DIPPING


def test_coming_up_or_going_down_is_no_dip():
    row = [0.0, 0.1, 4.0, *noise(0.005, 1)]
    assert shape_of(row, RAIL) is not ReadingClass.DIPPING
    assert shape_of(row[::-1], RAIL) is not ReadingClass.DIPPING


def test_two_levels_are_steps():
    row = [value + (1.0 if 12 <= n < 30 else 0.0) for n, value in enumerate(noise(0.01, 2))]
    assert shape_of(row, RAIL) is ReadingClass.STEPPING


@pytest.mark.parametrize("slope", [0.02, -0.02])
def test_a_slope_is_drift(slope):
    assert shape_of([v + slope * n for n, v in enumerate(noise(0.02, 3))], RAIL) is ReadingClass.DRIFTING


@pytest.mark.parametrize("period", [4, 7.3, 12])
def test_what_repeats_itself_is_ripple(period):
    row = [v + 0.4 * math.sin(2.0 * math.pi * n / period) for n, v in enumerate(noise(0.02, 4))]
    assert shape_of(row, RAIL) is ReadingClass.RIPPLED


def test_what_moves_much_without_a_shape_is_noise():
    """Nine of ten rows at least; by chance one may look like something else."""
    named = [shape_of(noise(0.5, seed), RAIL) for seed in range(100)]
    assert named.count(ReadingClass.NOISY) >= 90


def test_a_few_readings_are_not_classed():
    assert shape_of([12.0, 0.0, 12.0, 12.0], RAIL) is None


def test_the_noise_of_a_dead_rail_has_no_shape():
    """Microvolts about nothing do not dip."""
    assert shape_of(noise(1e-6, 5, level=0.0), RAIL) is None
